"""What is known of a water before anything is assumed: from a reading, or typed with units."""
