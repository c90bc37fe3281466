"""The monitor of idlehands: sources, ledger, analysis, readings and views. See DEVELOPERS.md."""
