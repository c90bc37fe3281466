"""The headlines in the JSON document: of each pool, and of the job over all pools and processes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ..model.reading import Reading

OF_A_FINDING = ("code", "sentence", "where", "change", "gain", "no_gain")


def headline(pool: dict[str, Any]) -> dict[str, Any] | None:
    """Return the headline of a pool's document: its first finding, or that nothing is to be gained.

    None where neither is known: too little is recorded, or nothing was simulated and nothing found.
    """
    if pool["findings"]:
        return {name: pool["findings"][0][name] for name in OF_A_FINDING}
    if not pool.get("health"):
        return None
    nothing = dict.fromkeys(OF_A_FINDING, "")
    return {**nothing, "code": None, "sentence": pool["health"], "gain": None}


def job_headline(reading: Reading, pools: list[dict[str, Any]]) -> dict[str, Any] | None:
    """Return the headline of a job and the pool that it is of; pools: the documents of all."""
    chosen = reading.headline[0] if reading.headline is not None else reading.busiest
    if chosen is None:
        return None
    place = [pool is chosen for pool in (*reading.pools, *reading.external)].index(True)
    found = headline(pools[place])
    return None if found is None else {"pool": chosen.name, "pid": chosen.pid, **found}
