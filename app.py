"""The app: lists its pages and runs the one that was asked for.

`benchmark app --db PATH` starts it. A new page is one file in `benchmark/show/pages` and one line
in `PAGES`.
"""

from __future__ import annotations

from pathlib import Path

import streamlit as st

import benchmark.show
from benchmark.show.serving import serving
from benchmark.show.signing_in import account_title, show_who, why_not

# File, title in the menu, address.
PAGES = (
    ("leaderboard.py", "Leaderboard", "leaderboard"),
    ("claim.py", "Check a claim", "claim"),
    ("gains.py", "What buys pace", "gains"),
    ("build.py", "One build", "build"),
    ("plan.py", "Test plan", "plan"),
    ("challenge.py", "Challenge", "challenge"),
    ("hand_in.py", "Hand in laps", "hand-in"),
    ("method.py", "Method and cautions", "method"),
)
# Whoever may not rule has it in no menu; at its address it says who may, and nothing else.
STEWARD_PAGE = ("steward.py", "Steward", "steward")
# Everybody reads what was decided, also where nobody can sign in.
RECORD_PAGE = ("record.py", "Record", "record")
CLUB_PAGES = (
    ("my_laps.py", "My laps", "my-laps"),
    RECORD_PAGE,
    ("account.py", "Sign in", "account"),
)
FOLDER = Path(benchmark.show.__file__).parent / "pages"


def listed() -> list[tuple[str, str, str]]:
    """Give the pages there are, by how the app is served."""
    now = serving()
    if now.club:
        return [*PAGES, STEWARD_PAGE, *CLUB_PAGES]
    return [*PAGES, STEWARD_PAGE, *([RECORD_PAGE] if now.read_only else [])]


st.set_page_config(page_title="Benchmark: who is really the quickest", layout="wide")

hidden = {STEWARD_PAGE} if why_not("accept") else set()
titles = {"account.py": account_title()}
here = st.navigation(
    [
        st.Page(
            FOLDER / file,
            title=titles.get(file, title),
            url_path=address,
            default=file == PAGES[0][0],
            visibility="hidden" if (file, title, address) in hidden else "visible",
        )
        for file, title, address in listed()
    ]
)
show_who()
here.run()
