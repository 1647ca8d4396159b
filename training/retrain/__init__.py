"""Trains a released model again on a site's own labelled photos."""
