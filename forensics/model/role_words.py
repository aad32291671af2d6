"""Roles in words."""

from __future__ import annotations

from forensics.model.vocabulary import Role


def in_words(role: Role) -> str:
    """A role as it reads in a sentence."""
    return role.value.replace("_", " ")
