"""The settings of a specialist, and an instrument that reports are made of."""

from __future__ import annotations

# What a specialist says once; each text is one that nothing else prints.
SETTINGS = {
    "name": "Ada Holm",
    "business": "Holm Valuations",
    "address": "12 Fjord Road\n5003 Bergen",
    "email": "ada@holm.example",
    "qualifications": "Thirty years of repairing such instruments.",
    "interest": "Full ownership of the instrument.",
    "intended_users": "The client's insurer may rely on it too.",
    "use": "It is played at home, and valued as played.",
    "scope_of_work": "Graded from photographs, part by part.",
    "assistance": "Bo Lie took the photographs.",
    "exclusions": "Sales comparison was used; cost and income were left out.",
    "certification": "I certify that this opinion is my own.",
    "signature": "A. Holm, by her own hand",
    "currency": "USD",
    "liquidation_share": "0.1",
}
# In the words of `fakes`: neck wear 4, where 2 is typical, and pickups one step below original.
GRADED = {
    "maker": "Ostvik",
    "model": "Fjell 2",
    "year": 1964,
    "serial": "F 1234",
    "condition": {"neck": 4},
    "originality": {"pickups": "period"},
}
DAY = "2026-01-02"
