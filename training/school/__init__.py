"""What the training loop stands on: config, sets in memory, the clock, checkpoints, watching, curves."""
