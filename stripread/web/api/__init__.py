"""JSON API, described by `openapi.json`."""
