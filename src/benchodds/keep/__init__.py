"""Files, caches and the job store: the edge to disks and databases."""
