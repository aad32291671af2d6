"""What a case, or a list of points, could show before anything is judged."""
