"""The service and its pages; not built yet."""
