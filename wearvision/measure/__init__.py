"""Pure measurements: arrays and numbers in, a record out. Knows no part, no file, no clock."""
