"""What a person must act on: one table of conditions, and when each is raised, cleared, sounded. Pure."""
