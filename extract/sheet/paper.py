"""A page of a PDF drawn on in millimetres from its top left corner, x right, y down; text stays upright.

Points are turned into PDF units one by one rather than by flipping the coordinate system, which would mirror lettering.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from io import BytesIO
from typing import Any

from reportlab import rl_config
from reportlab.pdfbase.pdfdoc import PDFDictionary, PDFName
from reportlab.pdfgen.canvas import Canvas

from extract.doors import Curve
from extract.sheet.layout import Box
from extract.sheet.lettering import MM, PLAIN, Lettering, printable, text_width
from extract.sheet.styles import BLACK, DETAIL, Ink, LineStyle

Point = tuple[float, float]


class Page:
    """One page; ``origin_mm`` is the drawing coordinate that falls on the page's top left corner."""

    def __init__(self, canvas: Canvas, size_mm: tuple[float, float], origin_mm: Point = (0.0, 0.0)) -> None:
        self._canvas, self.size_mm, self._origin = canvas, size_mm, origin_mm
        canvas.setPageSize((size_mm[0] * MM, size_mm[1] * MM))

    def _at(self, x: float, y: float) -> Point:
        return (x - self._origin[0]) * MM, (self.size_mm[1] - (y - self._origin[1])) * MM

    @contextmanager
    def clipped(self, box: Box) -> Iterator[None]:
        self._canvas.saveState()
        path = self._canvas.beginPath()
        path.rect(*self._at(box.left, box.bottom), box.width * MM, box.height * MM)
        self._canvas.clipPath(path, stroke=0, fill=0)
        yield
        self._canvas.restoreState()

    def curve(
        self, curve: Curve, style: LineStyle, ink: Ink | None = None, phase_mm: float = 0.0, fill: Ink | None = None
    ) -> None:
        """The curve as PDF curves and lines. With ``fill`` its inside is filled too."""
        self._pen(style, ink, phase_mm)
        path = self._canvas.beginPath()
        path.moveTo(*self._at(*curve.controls[0, 0]))
        for controls, straight in zip(curve.controls.tolist(), curve.straight.tolist(), strict=True):
            _, first, second, end = (self._at(*point) for point in controls)
            if straight:
                path.lineTo(*end)
            else:
                path.curveTo(*first, *second, *end)
        if curve.closed:
            path.close()
        if fill:
            self._canvas.setFillColorRGB(*fill)
        self._canvas.drawPath(path, stroke=1, fill=int(fill is not None))

    def line(self, points: Sequence[Point], style: LineStyle = DETAIL, ink: Ink | None = None) -> None:
        self._pen(style, ink, 0.0)
        path = self._canvas.beginPath()
        path.moveTo(*self._at(*points[0]))
        for point in points[1:]:
            path.lineTo(*self._at(*point))
        self._canvas.drawPath(path, stroke=1, fill=0)

    def box(self, box: Box, style: LineStyle | None = DETAIL, ink: Ink | None = None, fill: Ink | None = None) -> None:
        if style:
            self._pen(style, ink, 0.0)
        if fill:
            self._canvas.setFillColorRGB(*fill)
        corner = self._at(box.left, box.bottom)
        self._canvas.rect(*corner, box.width * MM, box.height * MM, stroke=int(bool(style)), fill=int(fill is not None))

    def dot(self, centre: Point, radius_mm: float, ink: Ink = BLACK) -> None:
        self._canvas.setFillColorRGB(*ink)
        self._canvas.circle(*self._at(*centre), radius_mm * MM, stroke=0, fill=1)

    def ring(self, centre: Point, radius_mm: float, style: LineStyle, ink: Ink) -> None:
        self._pen(style, ink, 0.0)
        self._canvas.circle(*self._at(*centre), radius_mm * MM, stroke=1, fill=0)

    def wedge(self, centre: Point, radius_mm: float, from_deg: float, extent_deg: float, ink: Ink) -> None:
        """A filled slice; angles turn anticlockwise from x as the eye sees it."""
        self._canvas.setFillColorRGB(*ink)
        x, y = self._at(*centre)
        r = radius_mm * MM
        self._canvas.wedge(x - r, y - r, x + r, y + r, from_deg, extent_deg, stroke=0, fill=1)

    def text(
        self,
        at: Point,
        text: str,
        size_mm: float,
        font: str = PLAIN,
        ink: Ink = BLACK,
        align: str = "left",
        turned: bool = False,
        angle_deg: float = 0.0,
    ) -> None:
        """``at`` is on the baseline at the left, middle or right of the text; ``turned`` reads from bottom to top, else
        the baseline runs at ``angle_deg`` from x towards y."""
        text, font = printable(text, font)
        shift = {"left": 0.0, "middle": 0.5, "right": 1.0}[align] * text_width(text, font, size_mm) * MM
        canvas = self._canvas
        canvas.saveState()
        canvas.setFillColorRGB(*ink)
        canvas.setFont(font, size_mm * MM)
        canvas.translate(*self._at(*at))
        if turned or angle_deg:
            canvas.rotate(90 if turned else -angle_deg)
        canvas.drawString(-shift, 0, text)
        canvas.restoreState()

    def lettering(self, label: Lettering) -> None:
        for line, y in label.baselines():
            self.text((label.centre[0], y), line.text, line.size_mm, line.font, align="middle")

    def done(self) -> None:
        self._canvas.showPage()

    def _pen(self, style: LineStyle, ink: Ink | None, phase_mm: float) -> None:
        canvas = self._canvas
        canvas.setLineWidth(style.width_mm * MM)
        canvas.setStrokeColorRGB(*(ink or style.ink))
        # Round caps would lengthen every dash by a line width; round joins keep corners from growing spikes.
        canvas.setLineCap(0)
        canvas.setLineJoin(1)
        canvas.setDash([length * MM for length in style.dashes_mm], phase_mm * MM)


def new_canvas(title: str, subject: str) -> tuple[Canvas, BytesIO]:
    """A PDF that asks the printer for its own size. The same drawing always gives the same bytes."""
    buffer = BytesIO()
    canvas = Canvas(buffer, pageCompression=1, invariant=1, pdfVersion=(1, 7))
    canvas.setTitle(title)
    canvas.setSubject(subject)
    canvas.setCreator("Truepeel")
    canvas.setAuthor("")
    # ISO 32000-1:2008 table 150: PrintScaling None unticks "fit to page"; it is a hint, so the check lines stay.
    preferences: dict[str, Any] = {
        "PrintScaling": PDFName("None"),
        "PickTrayByPDFSize": "true",
        "DisplayDocTitle": "true",
    }
    canvas._doc.Catalog.ViewerPreferences = PDFDictionary(preferences)
    return canvas, buffer


def finished(canvas: Canvas, buffer: BytesIO) -> bytes:
    """The file's content. Its streams stay binary: spelling them in letters, for transports of long ago, costs a
    quarter more bytes and a seventh of the time."""
    kept, rl_config.useA85 = rl_config.useA85, 0
    try:
        canvas.save()
    finally:
        rl_config.useA85 = kept
    return buffer.getvalue()
