"""What model, bench and prior files may say, and what a job is."""
