"""The studio and the school: pictures with known truth, and the networks trained on them."""
