"""Many readings over time: sites, valid readings, trends, maintenance schedule, method comparison, status."""
