"""What is drawn on the screens."""
