"""Joins the stages: boards, store, estimates, warnings, outputs to a person. The only part that follows a clock."""
