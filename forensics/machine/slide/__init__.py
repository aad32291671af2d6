"""The slide by identification: how it answers its commands, what it does unasked, and how sure that is."""
