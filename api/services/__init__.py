"""Use cases, one a module: records in, records out, no HTTP."""
