"""What people look at: a reading drawn over its photograph, and pages that say how a value came about."""
