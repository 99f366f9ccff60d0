"""Strip readings against a laboratory's results of the same water."""
