"""What people see: text, JSON shapes, the loop, the page, reports."""
