"""What one reading is worth, and why."""
