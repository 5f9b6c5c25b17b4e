"""Joins the stages: boards, store, estimates, warnings, and what a person sees. The only part that follows a clock."""
