"""What travels between board and host; the same files run on both interpreters."""
