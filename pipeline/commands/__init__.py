"""What a person types, and how the answer is printed."""
