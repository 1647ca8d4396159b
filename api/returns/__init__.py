"""The returns desk: a claim, its evidence, what is found, what the policy proposes, what people decide."""
