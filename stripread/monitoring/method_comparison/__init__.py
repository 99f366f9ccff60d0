"""Method comparison: strip readings against laboratory results of the same water."""
