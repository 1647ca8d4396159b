"""A simulated company: its own designs and camera, to measure what labels are worth."""
