"""For those who write systems: checks, starting files, schemas."""
