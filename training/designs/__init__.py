"""The designs of parts and of things that are not: what is drawn, as plain values."""
