"""Scenes as parameters: bench, clutter, light, camera. Every renderer reads the same."""
