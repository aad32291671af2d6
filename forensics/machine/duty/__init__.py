"""At what duty the machine ran, and what is expected of it there."""
