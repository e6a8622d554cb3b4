"""The pattern as DXF in millimetres, y up.

Layer names are our own and plain: "part-3-L cut", "part-3-L mark", "part-3-L text", so that a cutter can pick one part,
or one kind of line by the end of its name; lines to score or burn have layers of their own. The members of a part are
also tied together as a DXF group.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import numpy as np

from extract.doors import Curve, Pattern
from extract.geometry.curve import curve_area, curve_length, curve_points
from extract.sheet.drawing import DrawnLine, DrawnPart, draw_pattern
from extract.sheet.layout import box_around
from extract.sheet.lettering import Lettering
from extract.sheet.styles import Ink, LineStyle
from extract.sheet.words_along import DrawnText

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.entities import DXFGraphic
    from ezdxf.layouts import Modelspace

_CHORD_MM = 0.01
# AutoCAD colour index: 3 green, 1 red, so that a laser can be told which lines only to score or burn.
_WORKED = {"score": 3, "burn": 1}
# An inscribed polygon loses two thirds of (chord height × length) of its area; half of the 0.01 % promised.
_AREA_SHARE = 5e-5


def pattern_dxf(pattern: Pattern) -> bytes:
    """A DXF (AutoCAD 2010 format, $INSUNITS 4 = mm, $MEASUREMENT 1 = metric) with closed polylines for outlines and
    holes, dense enough that the enclosed area is true to 0.01 % and chords to 0.01 mm; marks as polylines; lettering
    as text. The pattern's y turns over, for DXF's points up. Raises CannotContinue for a pattern without parts.
    """
    import ezdxf  # some 0.3 s to import, and only this writer needs it
    from ezdxf import units

    drawn = draw_pattern(pattern)
    with _without_the_moment():
        document = ezdxf.new("R2010", units=units.MM)
        document.header["$MEASUREMENT"] = 1
        for part in drawn:
            _add_part(document, part)
        extent = box_around([part.box for part in drawn])
        document.modelspace().reset_extents((extent.left, -extent.bottom, 0.0), (extent.right, -extent.top, 0.0))
        return _bytes(document)


def _add_part(document: Drawing, part: DrawnPart) -> None:
    space = document.modelspace()
    cut, mark, text = (f"{part.id} {kind}" for kind in ("cut", "mark", "text"))
    for name, colour in ((cut, 7), (mark, 8), (text, 8)):
        document.layers.add(name, color=colour)
    members: list[DXFGraphic] = []
    for line in part.lines:
        layer = cut if line.role in ("outline", "hole") else text if line.role in ("leader", "arrow") else mark
        if line.role in ("score", "burn"):
            layer = f"{part.id} {line.role}"
            if layer not in document.layers:
                document.layers.add(layer, color=_WORKED[line.role])
        members.append(_add_line(document, space, line, layer))
    members += _add_lettering(space, part.lettering, text)
    members += [_add_word(space, word, text) for word in part.words]
    document.groups.new(part.id).set_data(members)


def _add_line(document: Drawing, space: Modelspace, line: DrawnLine, layer: str) -> DXFGraphic:
    points = _up(curve_points(line.curve, polyline_chord(line.curve)))
    attributes = {"layer": layer, "linetype": _linetype(document, line.style)}
    entity = space.add_lwpolyline(points.tolist(), format="xy", close=line.curve.closed, dxfattribs=attributes)
    entity.dxf.lineweight = round(100 * line.style.width_mm)
    if line.style.ink != (0.0, 0.0, 0.0):
        entity.rgb = _rgb(line.style.ink)
    return entity


def polyline_chord(curve: Curve) -> float:
    """The chord height in mm that keeps the polygon's area within the promise: for a polygon inscribed in a curve the
    loss is 2/3 · height · length at most (parabola segment, Archimedes)."""
    length = curve_length(curve)
    if not curve.closed or length == 0:
        return _CHORD_MM
    return max(1e-5, min(_CHORD_MM, 1.5 * _AREA_SHARE * abs(curve_area(curve)) / length))


def _add_lettering(space: Modelspace, label: Lettering, layer: str) -> list[DXFGraphic]:
    from ezdxf.enums import TextEntityAlignment

    entities: list[DXFGraphic] = []
    for line, y in label.baselines():
        # DXF gives the height of capitals, which is 0.72 of the font size.
        entity = space.add_text(line.text, height=0.72 * line.size_mm, dxfattribs={"layer": layer})
        entity.set_placement((label.centre[0], -y), align=TextEntityAlignment.CENTER)
        entities.append(entity)
    return entities


def _add_word(space: Modelspace, word: DrawnText, layer: str) -> DXFGraphic:
    from ezdxf.enums import TextEntityAlignment

    attributes = {"layer": layer, "rotation": -word.angle_deg}
    entity = space.add_text(word.text, height=0.72 * word.size_mm, dxfattribs=attributes)
    entity.set_placement((word.at[0], -word.at[1]), align=TextEntityAlignment.MIDDLE_CENTER)
    return entity


def _linetype(document: Drawing, style: LineStyle) -> str:
    """The name of the style's line type, added to the document when it is new there."""
    if not style.dashes_mm:
        return "Continuous"
    name = f"ISO 128 {style.code}"
    if name not in document.linetypes:
        signed = [length if index % 2 == 0 else -length for index, length in enumerate(style.dashes_mm)]
        document.linetypes.add(name, [sum(style.dashes_mm), *signed], description=style.name)
    return name


def _rgb(ink: Ink) -> tuple[int, int, int]:
    return round(255 * ink[0]), round(255 * ink[1]), round(255 * ink[2])


def _up(points: np.ndarray) -> np.ndarray:
    return points * (1.0, -1.0)


@contextmanager
def _without_the_moment() -> Iterator[None]:
    """Leaves out when and under which id a document was made, so that a pattern always gives the same bytes."""
    from ezdxf import options

    kept, options.write_fixed_meta_data_for_testing = options.write_fixed_meta_data_for_testing, True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = kept


def _bytes(document: Drawing) -> bytes:
    stream = io.StringIO()
    document.write(stream)
    return document.encode(stream.getvalue())
