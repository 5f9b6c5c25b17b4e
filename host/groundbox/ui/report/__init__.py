"""The report of an session: what was measured, estimated again from the store, written as one page."""
