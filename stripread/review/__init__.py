"""Review of readings: queue, decisions, corrections, statistics of agreement, re-evaluation."""
