"""How often the photo was right, from the hand checks that came back; and whether that changes."""
