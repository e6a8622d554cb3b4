"""Parts put into the places that are left free on a sheet, found on the grid as the plain plan finds them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import shapely
from shapely.affinity import rotate, translate

from extract.build import CutSheet, PlacedPart
from extract.foam.bed import Bed, Form, cell_for, form_of
from extract.foam.trial import Item, Kind, Task, items_on


def put_in_pockets(sheet: CutSheet, offered: Sequence[Item], task: Task) -> CutSheet:
    """The sheet with as many of the offered parts as find a free place beside those that lie on it, the largest
    first."""
    cell = cell_for([sheet.stock])
    by_size = sorted(offered, key=lambda item: (-task.kinds[item[0]].area_mm2, item))
    forms = {kind: _forms(task.kinds[kind], task.turns_on(sheet.stock, kind), task.gap_mm, cell) for kind, _ in offered}
    reach = max((form.reach for some in forms.values() for form in some), default=0)
    bed = Bed(sheet.stock, sheet.owned, task.edge_mm, cell, reach + 1)
    for (kind, _), item in zip(items_on(sheet, task), sheet.placed, strict=True):
        bed.cover(_shape(task.kinds[kind], item, task.edge_mm), task.gap_mm)
    added = []
    for kind, copy in by_size:
        form, at = next(((form, at) for form in forms[kind] if (at := bed.place_for(form)) is not None), (None, None))
        if form is not None and at is not None:
            bed.put(kind, copy, form, at)
            corner = (at[0] + task.edge_mm, at[1] + task.edge_mm)
            shift = (corner[0] + form.shift_mm[0], corner[1] + form.shift_mm[1])
            added.append(PlacedPart(task.kinds[kind].part, copy, form.turn_deg, shift, corner, form.size_mm))
    return replace(sheet, placed=(*sheet.placed, *added)) if added else sheet


def _forms(kind: Kind, turns: Sequence[float], gap_mm: float, cell_mm: float) -> list[Form]:
    return [form_of(kind.region, turn, gap_mm, cell_mm) for turn in turns]


def _shape(kind: Kind, item: PlacedPart, edge_mm: float) -> shapely.Polygon:
    """Where the part lies, from the corner of the usable part of the sheet."""
    turned = rotate(kind.region, item.turn_deg, origin=(0.0, 0.0))
    return translate(turned, item.shift_mm[0] - edge_mm, item.shift_mm[1] - edge_mm)
