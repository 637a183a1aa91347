"""From a machine and a job to exact posteriors."""
