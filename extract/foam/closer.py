"""A plan made closer: fewer or cheaper sheets, else a larger off-cut left of the last one.

A strip packing library lays a set of parts on a strip as high as a sheet; the sheet takes the set when that strip is no
longer than the sheet. Which sets to try is decided here: parts of the last sheet put among those of the others, all
parts shared out evenly over cheaper sheets, at last the last sheet by itself.

The work is bound to the clock: on a busy machine less is found, and the same call may give another plan. Whatever is
found keeps every gap, which is looked at with the parts' true outlines, and is taken only when it costs less. The
inside of a part's hole is not used here; a plan that gains by it stays as it is.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from importlib.util import find_spec
from itertools import cycle

from extract.build import CutSheet, FoamPlan, SheetStock
from extract.doors import Progress
from extract.foam.cost import Cost, cost_of
from extract.foam.pockets import put_in_pockets
from extract.foam.sheets import SAME_MM, refused
from extract.foam.trial import DOING, Item, Kept, Task, items_on, laid, task_for

WORTH_MM = 5.0
"""An off-cut that grows by less is no reason for another plan."""
_DENSEST = 0.93
"""Share of a sheet that parts with half their gap around them may fill; beyond, a trial is a waste of time."""
_FILL, _MORE = 0.8, 0.02
"""The share that the first trial of a sheet is given, and by how much the next one is fuller where it fitted."""
_ROUND_SHARE, _TRIAL_SHARE = 0.5, 0.12
"""Of the time that is left, what a round of trials over all sheets may take, and what a single one."""
_LEAST_S = 1.0
"""A trial of less time tells nothing."""
_HOPELESS = 0.025
"""Share of the sheets' length; where parts shared out are longer by more in all, more time will not bring them in."""
_EMPTIED_SHARE, _CHEAPER_SHARE, _FILLED_SHARE = 0.45, 0.7, 0.85
"""By then of the whole time the last sheet's parts have been tried on the others, all parts on cheaper sheets, and what
is left of the last one on the others again."""


def pack_closer(
    plan: FoamPlan, sheets: Sequence[SheetStock], seconds: float, progress: Progress | None = None
) -> FoamPlan:
    """``plan`` made closer within so many seconds on the ``sheets`` it was made for; itself where nothing better was
    found. ``progress`` may raise to call the work off; what it raises is passed on.

    Bound to the clock: the same call may give another plan another time.
    """
    if seconds <= 0 or not plan.sheets:
        return plan
    if find_spec("spyrrow") is None:
        raise refused("What packs parts closer is not installed.", "Install Truepeel anew, or leave the plan as it is.")
    begun = time.monotonic()
    task = task_for(plan, seconds, progress)
    groups: dict[float, list[CutSheet]] = {}
    for sheet in plan.sheets:
        thickness = sheet.stock.thickness_mm
        group = next((known for known in groups if abs(known - thickness) <= SAME_MM), thickness)
        groups.setdefault(group, []).append(sheet)
    better: list[CutSheet] = []
    for left, (thickness, cut) in zip(range(len(groups), 0, -1), groups.items(), strict=True):
        now = time.monotonic()
        sizes = [size for size in sheets if abs(size.thickness_mm - thickness) <= SAME_MM]
        better += _better(cut, sizes, task, now + (begun + seconds - now) / left)
    if progress:
        progress(DOING, 1.0)
    if all(one is other for one, other in zip(better, plan.sheets, strict=False)) and len(better) == len(plan.sheets):
        return plan
    numbered = tuple(replace(sheet, number=number) for number, sheet in enumerate(better, start=1))
    return replace(plan, sheets=numbered, closer_s=seconds)


def _better(group: Sequence[CutSheet], sizes: Sequence[SheetStock], task: Task, until: float) -> list[CutSheet]:
    """The sheets of one thickness made closer, or as they are."""
    start = time.monotonic()
    best = _ordered(group)
    shares = _EMPTIED_SHARE, _CHEAPER_SHARE, _FILLED_SHARE
    emptied_until, cheaper_until, filled_until = (start + share * (until - start) for share in shares)
    best = _with_the_last_emptied(best, task, emptied_until)
    while (found := _on_cheaper(best, sizes, task, cheaper_until)) is not None:
        best = _ordered(found)
    best = _with_the_last_emptied(best, task, filled_until)
    best = _with_the_last_shorter(best, task, until)
    # The little that is left then may still find room.
    best = _with_the_last_emptied(best, task, until)
    return best if _worth(_cost(best), _cost(_ordered(group))) else list(group)


def _cost(sheets: Sequence[CutSheet]) -> Cost:
    return cost_of([(sheet.stock, sheet.owned, sheet.reach_mm) for sheet in sheets])


def _worth(new: Cost, old: Cost) -> bool:
    return new[:3] < old[:3] or (new[:3] == old[:3] and new[3] <= old[3] - WORTH_MM)


def _ordered(sheets: Sequence[CutSheet]) -> list[CutSheet]:
    """Those that are there first; of the others, the one that is used least is the last."""
    sheets = sorted(sheets, key=lambda sheet: not sheet.owned)
    ends = [sheet for sheet in sheets if sheet.owned == sheets[-1].owned]
    last = min(ends, key=lambda sheet: sheet.reach_mm)
    return [*(sheet for sheet in sheets if sheet is not last), last]


def _on_cheaper(
    sheets: Sequence[CutSheet], sizes: Sequence[SheetStock], task: Task, until: float
) -> list[CutSheet] | None:
    """All parts on sheets that cost less, the cheapest tried first."""
    items = [item for sheet in sheets for item in items_on(sheet, task)]
    trials = list(_cheaper(sheets, sizes, items, task))
    for left, kept in zip(range(len(trials), 0, -1), trials, strict=True):
        now = time.monotonic()
        found = _spread(items, kept, task, now + (until - now) / min(left, 2))
        if found is not None:
            return found
    return None


def _cheaper(
    sheets: Sequence[CutSheet], sizes: Sequence[SheetStock], items: Sequence[Item], task: Task
) -> Iterator[list[Kept]]:
    """Choices of sheets that cost less and may hold the parts by their area: one left out, or another in its place."""
    now: list[Kept] = [(sheet.stock, sheet.owned) for sheet in sheets]
    spare = Counter({size: size.count for size in sizes}) - Counter(stock for stock, owned in now if owned)
    others: list[list[Kept]] = [[], *([(size, True)] for size in spare), *([(size, False)] for size in sizes)]
    choices = [now[:k] + now[k + 1 :] + other for k in range(len(now)) for other in others]
    found: dict[frozenset[tuple[Kept, int]], list[Kept]] = {}
    for choice in choices:
        room = sum(max(width, 0.0) * max(height, 0.0) for width, height in (task.room(stock) for stock, _ in choice))
        if room and task.area(items) <= _DENSEST * room and _whole(choice)[:3] < _whole(now)[:3]:
            found.setdefault(frozenset(Counter(choice).items()), choice)
    yield from sorted(found.values(), key=_whole)


def _whole(kept: Sequence[Kept]) -> Cost:
    return cost_of([(stock, owned, 0.0) for stock, owned in kept])


def _spread(items: Sequence[Item], kept: Sequence[Kept], task: Task, until: float) -> list[CutSheet] | None:
    """The items on all of these sheets, evenly; where one sheet cannot hold its share, a part of it goes to the sheet
    that took its own soonest."""
    sets = _shared_out(items, [stock for stock, _ in kept], task)
    if sets is None:
        return None
    done: dict[int, CutSheet] = {}
    took: dict[int, float] = {}
    over: dict[int, float] = {}
    while time.monotonic() < until:
        waiting = [k for k in range(len(kept)) if k not in done]
        share = 1.0 if len(kept) == 1 else _ROUND_SHARE / len(waiting)
        some = max(share * (until - time.monotonic()), _LEAST_S)
        for k in waiting:
            begun = time.monotonic()
            sheet, over[k] = laid(kept[k], sets[k], task, min(begun + some, until))
            took[k] = time.monotonic() - begun
            if sheet is not None:
                done[k] = sheet
        if len(done) == len(kept):
            return [done[k] for k in range(len(kept))]
        rooms = [task.room(stock)[0] for stock, _ in kept]
        if sum(min(over[k], rooms[k]) for k in range(len(kept))) > _HOPELESS * sum(rooms):
            return None
        worst = max((k for k in range(len(kept)) if k not in done), key=lambda k: over[k])
        _move_one(sets, worst, over[worst], done, took, kept, task)
    return None


def _shared_out(items: Sequence[Item], stocks: Sequence[SheetStock], task: Task) -> list[list[Item]] | None:
    """The largest first, each to the sheet that is the least full; None where a part goes on none."""
    sets: list[list[Item]] = [[] for _ in stocks]
    for item in sorted(items, key=lambda item: (-task.kinds[item[0]].area_mm2, item)):
        able = [k for k, stock in enumerate(stocks) if task.turns_on(stock, item[0])]
        if not able:
            return None
        sets[min(able, key=lambda k: task.share(stocks[k], [*sets[k], item]))].append(item)
    return sets


def _move_one(
    sets: list[list[Item]],
    worst: int,
    over_mm: float,
    done: dict[int, CutSheet],
    took: dict[int, float],
    kept: Sequence[Kept],
    task: Task,
) -> None:
    """The part whose area is nearest to what is too much goes to the sheet that was filled soonest."""
    too_much = over_mm * task.room(kept[worst][0])[1]
    for k in sorted(done, key=lambda k: took[k]):
        able = [item for item in sets[worst] if task.turns_on(kept[k][0], item[0])]
        if able:
            item = min(able, key=lambda item: abs(task.kinds[item[0]].area_mm2 - too_much))
            sets[worst].remove(item)
            sets[k].append(item)
            del done[k]
            return


def _with_the_last_emptied(sheets: Sequence[CutSheet], task: Task, until: float) -> list[CutSheet]:
    """The same sheets with as much of the last one's parts on the others as time finds room for, so fewer of them where
    that was all."""
    emptied = _ordered(_last_emptied(sheets, task, until))
    return emptied if len(emptied) == len(sheets) else _with_the_last_emptied(emptied, task, until)


def _last_emptied(sheets: Sequence[CutSheet], task: Task, until: float) -> list[CutSheet]:
    *others, last = sheets
    level = [_FILL] * len(others)
    idle = 0
    for k in _rounds(others, task):
        now = time.monotonic()
        if now >= until or not last.placed or idle == len(others):
            break
        own, rest = items_on(others[k], task), items_on(last, task)
        chosen = _chosen(rest, own, level[k], others[k].stock, task)
        idle = 0 if chosen else idle + 1
        if not chosen:
            continue
        kept = others[k].stock, others[k].owned
        some = max((0.35 if len(others) == 1 else _TRIAL_SHARE) * (until - now), _LEAST_S)
        found, _ = laid(kept, [*own, *chosen], task, min(now + some, until))
        before, tried = task.share(kept[0], own), task.share(kept[0], [*own, *chosen])
        if found is not None:
            others[k] = put_in_pockets(found, [item for item in rest if item not in chosen], task)
            last = _without(last, items_on(others[k], task), task)
        level[k] = (before + tried) / 2 if found is None else tried + _MORE
    return [*others, last] if last.placed else others


def _rounds(sheets: Sequence[CutSheet], task: Task) -> Iterator[int]:
    """One after the other, the emptiest first, again and again."""
    order = sorted(range(len(sheets)), key=lambda k: task.share(sheets[k].stock, items_on(sheets[k], task)))
    return cycle(order)


def _with_the_last_shorter(sheets: Sequence[CutSheet], task: Task, until: float) -> list[CutSheet]:
    *others, last = sheets
    found, _ = laid((last.stock, last.owned), items_on(last, task), task, until, shortest=True)
    return [*others, last if found is None or found.reach_mm >= last.reach_mm else found]


def _without(sheet: CutSheet, moved: Sequence[Item], task: Task) -> CutSheet:
    pairs = zip(sheet.placed, items_on(sheet, task), strict=True)
    return replace(sheet, placed=tuple(item for item, one in pairs if one not in moved))


def _chosen(offered: Sequence[Item], own: Sequence[Item], level: float, stock: SheetStock, task: Task) -> list[Item]:
    """Of the offered parts the largest that bring the sheet up to that level, or else the smallest one; none where even
    that is too much."""
    able = sorted(
        (item for item in offered if task.turns_on(stock, item[0])), key=lambda item: (-task.area([item]), item)
    )
    chosen: list[Item] = []
    for item in able:
        if task.share(stock, [*own, *chosen, item]) <= level:
            chosen.append(item)
    return chosen or [item for item in able[-1:] if task.share(stock, [*own, item]) <= _DENSEST]
