"""The acts of the pages for programs: JSON in and out, as `openapi.json` describes."""
