"""JSON API: handlers, types of the responses, and their OpenAPI description."""
