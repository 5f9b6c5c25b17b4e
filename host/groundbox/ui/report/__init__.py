"""The report of a session: the stored readings, estimated again, as one page with tables beside it."""
