"""What happened to a part: wear as parameters, sampled; the truth of its form measures follows from them."""
