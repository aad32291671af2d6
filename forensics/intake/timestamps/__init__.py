"""From the text of a stamp to an instant."""
