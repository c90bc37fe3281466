"""Analysis: pure functions from the ledger's tables to frozen readings. No I/O, no clock.

One package answers one question; `assemble` puts the answers together.
"""
