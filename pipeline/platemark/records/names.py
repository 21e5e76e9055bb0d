"""Names of files: ones that every file system takes, and when two of them are the same."""

import hashlib
import os
import re
import unicodedata
from pathlib import Path

# Control and reserved characters, marks that turn the direction of writing, and bytes that are no UTF-8.
_UNFIT = re.compile(r'[\x00-\x1f\x7f-\x9f<>:"/\\|?*\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]')
# Windows keeps these for devices, whatever ending follows.
# Source: Microsoft, "Naming Files, Paths, and Namespaces".
_DEVICE = re.compile(r"(con|prn|aux|nul|(com|lpt)[0-9])(\..*)?", re.IGNORECASE)
_ENDING = re.compile(r"\.[a-z0-9]{1,8}")
# NAME_MAX is 255 bytes on the file systems in use; numbers, print names and endings need room.
_LONGEST_STEM = 180
_UNSEEN = {"Cc", "Cf", "Cs", "Zl", "Zp"}


def name_key(name: str) -> str:
    """What two names share that are one on some disks: macOS and Windows ignore case, macOS composes accents.

    >>> name_key("Cafe\u0301.TIF") == name_key("caf\u00e9.tif")
    True
    """
    if name.isascii():  # the same, ten times quicker: folders of ten thousand names are gone through for each scan
        return name.lower()
    return unicodedata.normalize("NFC", name).casefold()


def readable_stem(stem: str) -> str:
    """A name that every file system takes: no control or reserved characters, not too long.

    What had to be changed ends in a hash of what it was, so that different names stay apart.

    >>> readable_stem("heron"), readable_stem("he?ron")
    ('heron', 'he_ron-a6c4ed8b')
    """
    clean = _UNFIT.sub("_", stem).strip(" .")
    if _DEVICE.fullmatch(clean):
        clean = f"_{clean}"
    if clean == stem and len(clean.encode()) <= _LONGEST_STEM:
        return clean
    raw = hashlib.sha256(os.fsencode(stem)).hexdigest()[:8]
    short = clean.encode()[:_LONGEST_STEM].decode(errors="ignore")
    return f"{short or 'scan'}-{raw}"


def bytes_of_no_text(name: str) -> str:
    r"""The bytes of a name in hexadecimal, where they are no UTF-8 and so no TOML can hold it as text; else nothing.

    >>> bytes_of_no_text("heron.tif"), bytes_of_no_text("her\udcf6n.tif")
    ('', '686572f66e2e746966')
    """
    try:
        name.encode()
    except UnicodeEncodeError:
        return os.fsencode(name).hex()
    return ""


def readable_ending(suffix: str) -> str:
    """The ending in small letters; `.scan` where there is none, or none that is an ending.

    >>> readable_ending(".TIF"), readable_ending("")
    ('.tif', '.scan')
    """
    return suffix.lower() if _ENDING.fullmatch(suffix.lower()) else ".scan"


def numbered(path: Path, number: int) -> Path:
    """The path itself for 1, then NAME-2, NAME-3 ...

    >>> numbered(Path("heron.tif"), 2).name
    'heron-2.tif'
    """
    if number == 1:
        return path
    return path.with_name(readable_stem(f"{path.stem}-{number}") + readable_ending(path.suffix))


def shown(text: str) -> str:
    r"""A name or sentence for terminal, log and notes: what cannot be seen, or is no UTF-8, stands as its code.

    >>> shown("he\x1b[31mron")
    'he\\x1b[31mron'
    """
    return "".join(
        sign.encode("unicode_escape").decode() if unicodedata.category(sign) in _UNSEEN else sign for sign in text
    )
