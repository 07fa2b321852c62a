"""The store itself, for the terminal."""

from collections.abc import Sequence

from spc.pages.display import count, moment
from spc.pages.text import table
from spc.studies.corrections import Corrected
from spc.studies.merge_conflicts import Conflict
from spc.studies.store_backup import BackedUp
from spc.studies.store_check import CheckedStore, Fault
from spc.studies.store_forward import BroughtForward
from spc.studies.store_info import StoredPart, StoreInfo
from spc.studies.store_merge import Merged

#: Tables of which people ask how much there is, in their words.
_ASKED = {
    "hit": "hit", "deviation": "deviation", "fit": "fit", "omission": "omission",
    "event": "event", "limit_set": "limit decision", "arm_check": "arm check",
    "audit": "audit entry",
}  # fmt: skip


def info_text(info: StoreInfo) -> str:
    """Return what a store holds."""
    lines = [
        f"{info.store}: {_size(info.bytes)}, schema version {info.version} "
        f"(this program writes {info.newest_version}), made {moment(info.made_at)} UTC",
        f"{count(info.files, 'file')} taken" + _last(info),
        ", ".join(_many(info.rows.get(t, 0), word) for t, word in _ASKED.items()),
    ]
    if info.rejected:
        lines.append(
            f"{count(info.rejected, 'file')} could not be taken; see 'spc ingest --rejected'"
        )
    if info.merged:
        lines.append("other stores were merged into it")
    if not info.parts:
        return "\n".join([*lines, "no measurement plan yet; add one with 'spc plan add FILE'"])
    head = ("part", "rev.", "name", "plans", "pieces", "runs", "study runs", "first measured",
            "last measured (UTC)")  # fmt: skip
    return "\n".join([*lines, "", table(head, [_part(p) for p in info.parts], "   rrrr")])


def _last(info: StoreInfo) -> str:
    if info.last_taken_at is None:
        return ""
    return f", the last {info.last_file} on {moment(info.last_taken_at)} UTC"


def _part(part: StoredPart) -> tuple[str, ...]:
    times = ("" if at is None else moment(at) for at in (part.first_measured, part.last_measured))
    return (part.part, part.revision, part.name, str(part.plans), str(part.pieces),
            str(part.runs), str(part.study_runs), *times)  # fmt: skip


def _size(number: int) -> str:
    return f"{number / 1e6:.1f} MB" if number < 1e9 else f"{number / 1e9:.2f} GB"


def _many(number: int, word: str) -> str:
    if number == 1:
        return f"1 {word}"
    return f"{number} {word.removesuffix('y') + 'ies' if word.endswith('y') else word + 's'}"


def checked_text(checked: CheckedStore) -> str:
    """Return whether a store is whole, and if not what is broken."""
    looked = ", ".join(
        _many(n, word)
        for n, word in ((checked.files, "file"), (checked.runs, "run"), (checked.hits, "hit"),
                        (checked.fits, "fit"), (checked.entries, "audit entry"))
    )  # fmt: skip
    if checked.head:
        looked += f", the last {checked.head[:16]}"
    if checked.whole:
        head = f"{checked.store}: whole ({looked})."
    else:
        head = f"{checked.store}: BROKEN in {count(len(checked.faults), 'way')} ({looked})."
    return "\n".join([head, *_faults(checked.faults, ""), *_faults(checked.remarks, "note: ")])


def _faults(faults: Sequence[Fault], mark: str) -> list[str]:
    return [
        f"  {mark}{fault.what}: {', '.join(fault.examples)}"
        + (f" and {fault.cases - len(fault.examples)} more" * (fault.cases > len(fault.examples)))
        for fault in faults
    ]


def backup_text(made: BackedUp) -> str:
    """Return what became of a backup."""
    return f"Copied to {made.copy} ({_size(made.bytes)}).\n{checked_text(made.checked)}"


def merged_text(merged: Merged) -> str:
    """Return what became of a merge, contradictions first."""
    lines = [*_conflicts(merged.conflicts)]
    if merged.merged:
        rows = ", ".join(f"{n} {name}" for name, n in merged.rows.items())
        lines.append(f"Merged {merged.other} into {merged.store}. New rows: {rows}.")
    elif merged.already:
        lines.append(
            f"{merged.store}: everything in {merged.other} is here already; nothing changed."
        )
    else:
        lines.append(f"Nothing was taken from {merged.other}.")
    lines += [f"  left out: {name}" for name in merged.left_out]
    return "\n".join([*lines, *(f"  note: {text}" for text in merged.differences)])


def _conflicts(conflicts: Sequence[Conflict]) -> list[str]:
    if not conflicts:
        return []
    many = "1 contradiction" if len(conflicts) == 1 else f"{len(conflicts)} contradictions"
    lines = [f"{many} that a person has to decide:"]
    for conflict in conflicts:
        lines += [
            f"  {conflict.subject}: here {conflict.here}; there {conflict.there}",
            f"    {conflict.do}",
        ]
    return lines


def corrected_text(done: Corrected) -> str:
    """Return what became of a correction."""
    if done.already:
        return f"The store says so of {done.serial} already; nothing changed."
    if done.runs:
        head = f"Runs {', '.join(done.runs)} of {done.serial} are of {done.after['serial']} now."
    else:
        changes = ", ".join(
            f"{name} '{done.before[name]}' is '{word}' now"
            for name, word in done.after.items()
            if word != done.before[name]
        )
        head = f"Corrected {done.serial}: {changes}."
    return "\n".join([head, *(f"  note: {text}" for text in done.warnings)])


def migrated_text(done: BroughtForward) -> str:
    """Return what became of a store of an older version."""
    if not done.steps:
        return f"{done.store}: of the newest schema version {done.version}; nothing changed."
    return (
        f"{done.store}: brought to schema version {done.version}. What it was is in {done.backup}."
    )
