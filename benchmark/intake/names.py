"""Names that look like one another: asked about, never merged and never refused.

Two names look alike where their skeletons are the same: compatibility forms written plainly (NFKC),
case folded, accents and invisible marks taken off, letters of other scripts that look like Latin
ones written as these, blanks and punctuation left out. The idea is that of Unicode Technical
Standard 39; the table of letters is a small part of its confusables, written from memory: letters
of Cyrillic and Greek that have the shape of a Latin one, and the digits 0 and 1.
"""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

LOOK_ALIKE = str.maketrans(
    {
        # Cyrillic, small letters after case folding
        **dict(zip("аеорсухіјѕԁһԛԝкмтвнг", "aeopcyxijsdhqwkmtbhr", strict=True)),
        # Greek, likewise
        **dict(zip("αονρτυχικ", "aovptuxik", strict=True)),
        # in names of builds, digits and letters that are taken for one another
        **dict(zip("01", "ol", strict=True)),
        "i": "l",
        "|": "l",
        "\u0131": "l",
    }
)


MERGED = ("build", "driver")  # what two names can be merged of


@dataclass(frozen=True, slots=True)
class LooksAlike:
    """A name that is new, and one that is known and looks like it."""

    kind: str
    name: str
    known: str

    def __str__(self) -> str:
        """Ask in a sentence."""
        spelled = "" if self.name.isascii() else f" ({_spelled(self.name, self.known)})"
        asked = f'{self.kind} "{self.name}" is new{spelled}: did you mean "{self.known}"?'
        if self.kind not in MERGED:
            return f"{asked} If so, correct the file: else it is kept as another one"
        way_on = f"merge the two with `benchmark merge --{self.kind}` once both are stored"
        return f"{asked} If so, correct the file, or {way_on}"


def skeleton(name: str) -> str:
    """Give what a name looks like, for comparing names with one another."""
    plain = unicodedata.normalize("NFKC", name).casefold().translate(LOOK_ALIKE)
    bare = unicodedata.normalize("NFD", plain)
    return "".join(char for char in bare if char.isalnum()).translate(LOOK_ALIKE)


def look_alikes(kind: str, names: Iterable[str], known: Iterable[str]) -> list[LooksAlike]:
    """Ask about each name that is not known but looks like a known one, or like an earlier one.

    Parameters
    ----------
    kind : what they are names of, such as build.
    names : those of a file.
    known : those of the store.
    """
    seen: dict[str, str] = {}
    for name in known:
        seen.setdefault(skeleton(name), name)
    exact = set(known)
    found = []
    for name in dict.fromkeys(names):
        shape = skeleton(name)
        if name not in exact and shape and shape in seen:
            found.append(LooksAlike(kind, name, seen[shape]))
        seen.setdefault(shape, name)
    return found


def alike(names: Iterable[str]) -> list[list[str]]:
    """Give the groups of two or more names that look alike, each sorted; candidates to be merged.

    A name without letters or digits looks like none.
    """
    groups: dict[str, list[str]] = defaultdict(list)
    for name in sorted(set(names)):
        groups[skeleton(name)].append(name)
    return [group for shape, group in groups.items() if shape and len(group) > 1]


def _spelled(name: str, known: str) -> str:
    """Name the first letter that is another one."""
    odd = next((char for char in name if not char.isascii() and char not in known), None)
    if odd is None:
        return "written otherwise"
    return f"with {unicodedata.name(odd, 'an unnamed letter').lower()}"
