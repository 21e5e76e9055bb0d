"""The note beside a held scan: why it waits, and what to do."""

from pathlib import Path

import tomli_w


def held_note(scan: Path, reasons: list[tuple[str, str, str]], archived: Path | None) -> bytes:
    """Write the note `NAME.held.toml`.

    Args:
        scan: where the scan lies now.
        reasons: for each print (or "" for all): why, and what to do.
        archived: the copy in the archive, if there is one.
    """
    lines = [
        f"# {scan.name} waits for you. What to do stands under remedy; then move the scan",
        "# (and its ticket) back into the folder for scans. Prints that are ready are not made twice.",
    ]
    table: dict[str, object] = {"scan": _text(str(scan))}
    if archived:
        table["archived"] = _text(str(archived))
    table["held"] = [
        {"print": name or "all", "reason": _text(reason), "remedy": _text(remedy)} for name, reason, remedy in reasons
    ]
    return ("\n".join(map(_text, lines)) + "\n\n" + tomli_w.dumps(table)).encode()


def _text(words: str) -> str:
    """Names that are not UTF-8 reach us with lone surrogates, which no file can hold."""
    return words.encode("utf-8", "backslashreplace").decode()
