"""The service: HTTP API and pages over the library, with its records."""
