"""Which test next, when to mend, and what it costs."""
