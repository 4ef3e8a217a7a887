"""A club under load: entrants who sign in by the form and hand in, stewards who accept meanwhile.

`python -m tests.bench.load --club` runs it. All people are invented.
"""

from __future__ import annotations

import asyncio
import json
import random
import re
from collections import Counter
from pathlib import Path

from benchmark.store.accounts import Accounts
from benchmark.store.audit import audit
from benchmark.store.people import name_role
from benchmark.store.roles import Role
from benchmark.store.store import Store
from benchmark.store.submissions import ACCEPTED, submissions
from tests.bench.load_plan import CIRCUIT, LAPS, Plan, Tally, open_hand_in, upload
from tests.bench.tab import Tab, sign_in
from tests.clubs import As

OWNER, PASSWORD = "Odo Owner", "four invented words here"
ACCEPT = "Accept this file"
DONE = re.compile(r"Submission (\d+) is accepted")
SECOND = "does not wait any more"  # two stewards at one file: the second is told, rightly


def entrant_name(number: int) -> str:
    return f"Entrant {number}"


def steward_name(number: int) -> str:
    return f"Steward {number}"


def prepare_club(db: Path, entrants: int, stewards: int) -> None:
    """Give the store an owner, stewards and entrants, each with an account."""
    roles = {steward_name(number): Role.STEWARD for number in range(stewards)}
    roles |= {entrant_name(number): Role.ENTRANT for number in range(entrants)}
    with Store.open(db, write=True, who=As(OWNER)) as store:
        for name, role in {OWNER: Role.OWNER, **roles}.items():
            name_role(store, name, role)
    for name in (OWNER, *roles):
        Accounts(db).add(name, PASSWORD)


async def signed_in(plan: Plan, name: str) -> Tab:
    """Sign in by the form, and give a tab of that browser."""
    cookies = await asyncio.to_thread(sign_in, plan.port, name, PASSWORD)
    return Tab(plan.port, cookies)


async def hand_in_signed_in(plan: Plan, tally: Tally, number: int) -> None:
    """Hand in one numbered table after another; each waits for a steward."""
    draw = random.Random(1000 + number)
    await plan.think(draw)
    async with await signed_in(plan, entrant_name(number)) as tab:
        page = await open_hand_in(tally, tab)
        count = 0
        while plan.goes_on():
            await plan.think(draw)
            name = f"L{number}-{count}"
            count += 1
            button = await upload(tally, tab, page, name, "Hand in 1 file")
            if button is None:
                continue
            await plan.think(draw)
            tally.sent.add(name)
            handed = await tab.ask(press=button)
            tally.note("hand-in, hand in", handed)
            if handed.says(f"{LAPS} laps of {name}.csv wait for a steward"):
                tally.acknowledged.add(name)
            await tab.upload(page.uploader, [])
            if count % 3 == 0:
                tally.note("my laps", await tab.ask("my-laps"))
                page = await tab.ask("hand-in")
                tally.note("hand-in", page)


async def accept_what_waits(plan: Plan, tally: Tally, number: int) -> None:
    """Look at the queue and accept its first file, again and again."""
    draw = random.Random(2000 + number)
    await plan.think(draw)
    async with await signed_in(plan, steward_name(number)) as tab:
        tally.note("first page", await tab.ask(""))
        while plan.goes_on():
            await plan.think(draw)
            queue = await tab.ask("steward")
            tally.note("steward, queue", queue)
            button = queue.buttons.get(ACCEPT)
            if button is None:
                continue
            await plan.think(draw)
            done = await tab.ask(press=button)
            tally.second += sum(SECOND in text for text in done.errors)
            done.errors = [text for text in done.errors if SECOND not in text]
            tally.note("steward, accept", done)
            found = [int(no) for word in done.words for no in DONE.findall(word)]
            tally.accepted.update(found)


def tell_club(db: Path, tally: Tally) -> int:
    """Hold the store against what entrants and stewards were told; give how much was wrong."""
    with Store.open(db, who=As(OWNER)) as store:
        found = submissions(store)
        laps = store.accepted_laps()
        accepts = [json.loads(one.subject) for one in store.record() if one.action == "accept"]
        whole = audit(store)
    by_name = {one.file.removesuffix(".csv"): one for one in found}
    times = Counter(one.file.removesuffix(".csv") for one in found)
    state = {one.number: one.state for one in found}
    counts = laps[laps["circuit"] == CIRCUIT].groupby("session")["lap"].count().to_dict()
    handed = {name: by_name[name] for name in times}
    right = {name for name, one in handed.items() if one.state == ACCEPTED} | tally.imported
    wrong = {
        "lost": tally.acknowledged - set(times) - tally.imported,
        "doubled": {name for name, count in times.items() if count > 1},
        "handed in without a word": set(times) - tally.acknowledged,
        "half": {name for name, one in handed.items() if one.laps != LAPS}
        | {name for name, count in counts.items() if count != LAPS},
        "accepted and not in the store": right - set(counts),
        "in the store and not accepted": set(counts) - right,
        "said to be accepted, and not so": {
            str(number) for number in tally.accepted if state.get(number) != ACCEPTED
        },
        "accepted twice": {
            str(number)
            for number, count in Counter(one["submission"] for one in accepts).items()
            if count > 1
        },
    }
    print(
        f"submissions sent {len(tally.sent)} (of them {len(tally.imported)} by command), "
        f"acknowledged {len(tally.acknowledged)}, accepted {len(accepts)}, "
        f"second stewards told {tally.second}, fits {tally.fits}; "
        f"the record's {whole.lines} lines verified"
    )
    print(", ".join(f"{what} {len(names)}" for what, names in wrong.items()))
    for what, names in wrong.items():
        for name in sorted(names)[:10]:
            print(f"   {what}: {name}")
    return sum(map(len, wrong.values()))
