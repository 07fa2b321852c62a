"""Writing a month's page, and the index of all that lie in the folder."""

from pathlib import Path

from spc.errors import InputError
from spc.pages.index_page import index_of, index_page
from spc.pages.month_page import month_page
from spc.pages.shell import write_page
from spc.studies.month import Month


def page_name(study: Month) -> str:
    """Return the page's file name: part, revision and month, safe in any file system."""
    plan = study.plan
    text = f"{plan.part}-{plan.revision}-{study.period.start:%Y-%m}"
    return "".join(c if c.isalnum() or c in "-._" else "_" for c in text) + ".html"


def write_month(study: Month, folder: Path) -> Path:
    """Write the page and the folder's index; return the page's path."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"cannot make the folder ({error.strerror})", file=str(folder), do="name another"
        ) from None
    page = folder / page_name(study)
    write_page(page, month_page(study))
    write_page(folder / "index.html", index_page(index_of(folder)))
    return page
