"""HTML pages over the same services as the JSON API."""
