"""What a person says of a photo, what their marks measure, and what several of them settle as the truth."""
