"""The table of finding codes in DEVELOPERS.md, made from the code.

`python -m tests.support.catalogue` rewrites it.
"""

from __future__ import annotations

from pathlib import Path

from ingestd.core.requirements import CATALOGUE, may_be_changed

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"
_HEAD = "| code | cause | default | may be changed | remedy for the customer |\n|---|---|---|---|---|\n"
_BEFORE, _AFTER = "## Codes of findings\n", "\n## Change log\n"


def table() -> str:
    rows = [
        f"| `{code}` | {entry.cause} | {entry.severity} | {'yes' if may_be_changed(code) else 'fixed'} "
        f"| {entry.customer} |\n"
        for code, entry in CATALOGUE.items()
    ]
    return _HEAD + "".join(rows)


def section(text: str) -> str:
    """What the guide says between the heading and the next one."""
    return text.split(_BEFORE, 1)[1].split(_AFTER, 1)[0]


def written() -> str:
    """The table as the guide has it."""
    return section(GUIDE.read_text())


def rewrite() -> None:
    text = GUIDE.read_text()
    old = section(text)
    start = old.find("| code |") if "| code |" in old else old.find("FINDINGS_TABLE")
    GUIDE.write_text(text.replace(old, old[:start] + table()))


if __name__ == "__main__":
    rewrite()
