"""The record: an append-only, hash-chained log of every step, its signed heads, and what erased photos leave behind."""
