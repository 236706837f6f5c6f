"""What was played: which stretches are melody notes, and what sounded between them."""
