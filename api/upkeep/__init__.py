"""Looks after what is kept: backup, restore, and sweeping of what no record names."""
