"""Fragments to one offline page, checked after it is made."""
