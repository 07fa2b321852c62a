"""The production history of a part in the set of results that was asked for."""

from spc.errors import NotFoundError
from spc.store import read
from spc.store.connection import Store
from spc.studies.history import History, production


def past_of(store: Store, part: str | None, revision: str | None, result_set: str = "") -> History:
    """Return the production history, fitted as the working results or as a set of a refit.

    Raises
    ------
    NotFoundError
        Where there is no such set.
    """
    if not result_set:
        return production(store, read.plan(store, part, revision))
    sets = read.result_sets(store)
    found = sets[sets["result_set"] == result_set]
    found = found[found["part"] == part] if part is not None else found
    if found.empty:
        known = ", ".join(sorted(set(sets["result_set"]))) or "none"
        raise NotFoundError(f"no set of results '{result_set}' in the store; there is {known}")
    plan = read.plan_by_id(store, str(found["plan_id"].iloc[0]))
    return production(store, plan, result_set)
