"""Reports on sites: status and history of one site; verdicts and maintenance of a group of sites."""
