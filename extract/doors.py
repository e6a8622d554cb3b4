"""The frozen values that travel between rooms, and nothing else.

Axes and units: photo points carry ``_px`` (x right, y down, an integer is the centre of a pixel). Everything past the
plane is in millimetres in the plane frame (x right, y down as printed on the lowest-numbered card, seen from above).
Arrays are float64 of shape (N, 2) unless said otherwise and are never changed in place.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]
Progress = Callable[[str, float], None]
"""Called with a plain sentence fragment ("finding the cards") and the share done, 0 to 1."""

StrokeKind = Literal["marker", "cut-edge", "ring", "tick", "note"]


class CannotContinue(Exception):  # noqa: N818 - reads as what it says
    """A room cannot do its job with this input.

    ``reason`` and ``advice`` are sentences for the maker: what is wrong, and what to do about it.
    """

    def __init__(self, room: str, reason: str, advice: str) -> None:
        super().__init__(f"{reason} {advice}")
        self.room, self.reason, self.advice = room, reason, advice


@dataclass(frozen=True)
class Doubt:
    """Something the maker should know that does not stop the work; ``code`` is stable for scripts."""

    code: str
    message: str


@dataclass(frozen=True, eq=False)
class Photo:
    """An upright picture: ``pixels`` (H, W, 3) uint8 in BGR order. Each of them is the mean of ``reduced`` ×
    ``reduced`` pixels of the file."""

    name: str
    pixels: Bytes
    digest: str
    focal_hint_px: float | None = None
    reduced: int = 1

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        return self.pixels.shape[1], self.pixels.shape[0]


@dataclass(frozen=True)
class CardDesign:
    """One printed scale card: ``squares`` across and down, ids from ``first_id`` row by row. Where a hand set the
    corners of a rectangle (family "hand"), ``board_mm`` is its size and there is nothing printed on it."""

    family: str
    number: int
    squares: tuple[int, int]
    square_mm: float
    marker_mm: float
    first_id: int
    paper_mm: tuple[float, float]
    board_mm: tuple[float, float] | None = None

    @property
    def name(self) -> str:
        return "rectangle set by hand" if self.board_mm else f"{self.family} card {self.number}"


@dataclass(frozen=True, eq=False)
class CardSighting:
    """Chess corners of one card in one photo; ``corners_mm`` in the card's own frame (origin at the outer top-left
    corner of the chess area as printed, nominal size); ``sd_px`` is the localisation noise of one coordinate."""

    design: CardDesign
    corners_px: Array
    corners_mm: Array
    sd_px: float


@dataclass(frozen=True)
class Lens:
    """Pinhole with radial distortion, OpenCV's model: x' = x (1 + k1 r² + k2 r⁴)."""

    focal_px: float
    centre_px: tuple[float, float]
    k1: float = 0.0
    k2: float = 0.0


@dataclass(frozen=True, eq=False)
class PlacedCard:
    """A card on the table: plane_from_card is a turn by ``angle_rad`` then a shift. ``weight`` 0 to 1: how far the
    solve trusted it."""

    sighting: CardSighting
    x_mm: float
    y_mm: float
    angle_rad: float
    rms_px: float
    weight: float = 1.0


@dataclass(frozen=True, eq=False)
class PlaneCamera:
    """One photo's solved camera. x_cam = rotation @ (x, y, z) + shift_mm with z = 0 the cards' plane and z pointing
    away from the camera (x right, y down, z down). Strokes lie ``height_mm`` above the cards (z = -height_mm).

    ``covariance`` belongs to the parameter vector (focal_px, k1, k2, turn (3, a rotation vector multiplied from the
    left onto ``rotation``), shift_mm (3), centre_px (2)); ``bias`` holds 1 σ of what the photo cannot show: printer
    scale (relative) and stroke height (mm).
    """

    lens: Lens
    size_px: tuple[int, int]
    rotation: Array
    shift_mm: Array
    height_mm: float
    cards: tuple[PlacedCard, ...]
    covariance: Array
    bias: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Blur:
    """How far one photo is smeared on the table: 1 σ of the spread along its longest direction and across it, and that
    direction's angle in the plane frame, 0 to π. Motion makes the first much longer than the second."""

    along_mm: float
    across_mm: float
    angle_rad: float


@dataclass(frozen=True, eq=False)
class FlatView:
    """The table seen square from above: ``pixels`` (H, W, 3) uint8 BGR; pixel (column, row) lies at
    origin_mm + mm_per_px · (column, row); ``valid`` (H, W) says where the photo saw the table;
    ``card_outlines_mm`` are the (4, 2) paper outlines of the cards."""

    pixels: Bytes
    mm_per_px: float
    origin_mm: tuple[float, float]
    valid: Mask
    card_outlines_mm: tuple[Array, ...] = ()

    def mm_from_px(self, points_px: Array) -> Array:
        return np.asarray(points_px, float) * self.mm_per_px + np.asarray(self.origin_mm)

    def px_from_mm(self, points_mm: Array) -> Array:
        return (np.asarray(points_mm, float) - np.asarray(self.origin_mm)) / self.mm_per_px


@dataclass(frozen=True, eq=False)
class Relief:
    """How high the shell stands above the cards' plane: ``heights_mm`` and their own 1 σ ``sd_mm`` (rows, columns) at
    origin_mm + step_mm · (column, row) as seen from straight above; ``lying_mm`` is the height of the part that lies,
    ``common_sd_mm`` 1 σ of what all heights have in common; ``found_mm`` and ``own_common_sd_mm`` are the same from the
    photos alone, before they were weighed against what was known. Beside the shell the map means nothing."""

    origin_mm: tuple[float, float]
    step_mm: float
    heights_mm: Array
    sd_mm: Array
    lying_mm: float
    common_sd_mm: float
    found_mm: float
    own_common_sd_mm: float


@dataclass(frozen=True, eq=False)
class Silhouette:
    """Where the shell is: ``rings_mm`` closed outer boundaries (first point not repeated), one per piece of shell,
    largest first; ``sigma_mm`` 1 σ localisation of the edge; ``unsure`` one bool array per ring (True where the edge
    is a guess); ``left_out_mm`` the middles (2,) of what may be further pieces but was not read as such."""

    rings_mm: tuple[Array, ...]
    sigma_mm: float
    unsure: tuple[Mask, ...]
    left_out_mm: tuple[Array, ...] = ()


@dataclass(frozen=True, eq=False)
class Stroke:
    """One line on the shell as a centre line; ``sigma_mm`` 1 σ across it; ``by_hand`` where the maker drew or moved
    it (some of it)."""

    id: str
    kind: StrokeKind
    colour: str
    closed: bool
    width_mm: float
    sigma_mm: float
    points_mm: Array
    by_hand: bool = False


@dataclass(frozen=True, eq=False)
class Curve:
    """A chain of cubic Béziers, ``controls`` (N, 4, 2) in mm, each starting where the last one ended; ``straight``
    (N,) marks the segments that are line segments (their inner controls lie at the thirds)."""

    controls: Array
    straight: Mask
    closed: bool


@dataclass(frozen=True, eq=False)
class PlanarGraph:
    """Who meets whom: ``nodes_mm`` (N, 2); each edge is a polyline from node ``ends[i][0]`` to ``ends[i][1]``;
    ``sources[i]`` names the stroke or cut edge it came from. A face is one outer ring and any number of hole rings;
    a ring is a tuple of (edge, reversed)."""

    nodes_mm: Array
    edges_mm: tuple[Array, ...]
    ends: tuple[tuple[int, int], ...]
    sources: tuple[str, ...]
    faces: tuple[Face, ...]


Ring = tuple[tuple[int, bool], ...]


@dataclass(frozen=True)
class Face:
    outer: Ring
    holes: tuple[Ring, ...] = ()


@dataclass(frozen=True, eq=False)
class Panel:
    """A closed region bounded by strokes and cut edges. ``sigma_mm`` is 1 σ of its outline's shape, any rigid motion
    removed. ``smoothed_mm`` is (largest, RMS) distance the outline moved when it was smoothed; ``name`` is the maker's
    word for it, empty until given."""

    id: str
    outline: Curve
    holes: tuple[Curve, ...]
    area_mm2: float
    perimeter_mm: float
    sigma_mm: float
    smoothed_mm: tuple[float, float] = (0.0, 0.0)
    name: str = ""


@dataclass(frozen=True, eq=False)
class Mark:
    """Something drawn on a part that is not its outline: reference line, tick, ring or note. Where ``use`` is given it
    goes before ``kind``: besides the uses of a build's details "seam" and "lean", whose ``curve`` is a stretch of the
    outline, itself not drawn again, with ``text`` to stand along its inside."""

    kind: StrokeKind
    colour: str
    curve: Curve
    text: str = ""
    use: str = ""


@dataclass(frozen=True, eq=False)
class Part:
    """A panel made ready for cutting. ``number`` is printed ("3"); ``side`` is "L", "R" or "" for a single part;
    ``label_mm`` (2,) is where its lettering goes, ``room_mm`` the radius of the free circle there. ``copies`` of it are
    cut; ``pair`` says whether the other side is its mirror image; ``mirrored`` whether it is drawn as seen from the
    back; ``forward_deg`` points to the wearer's front, from x towards y; ``piece`` is the id in the build."""

    number: str
    side: Literal["", "L", "R"]
    outline: Curve
    holes: tuple[Curve, ...]
    marks: tuple[Mark, ...]
    area_mm2: float
    perimeter_mm: float
    sigma_mm: float
    label_mm: tuple[float, float]
    room_mm: float
    name: str = ""
    stock: str = ""
    thickness_mm: float = 0.0
    copies: int = 1
    pair: bool = False
    on_centre: bool = False
    mirrored: bool = False
    forward_deg: float | None = None
    notes: str = ""
    piece: str = ""


@dataclass(frozen=True, eq=False)
class Pattern:
    """All parts of one build, placed in one frame (mm, x right, y down) so that none overlap. ``remarks`` are sentences
    about the whole build that the print must carry."""

    parts: tuple[Part, ...]
    photo_name: str
    date: str
    doubts: tuple[Doubt, ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class HandRectangle:
    """A rectangle of known size whose corners a hand set in the photo with that SHA-256: ``size_mm`` along the side
    from the first corner to the second, and across; ``sd_mm`` how well each is known; ``corners_px`` four, in turn."""

    photo: str
    size_mm: tuple[float, float]
    sd_mm: float
    corners_px: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class TraceSettings:
    """What the maker may tell the program about one tracing.

    ``height_mm``: top of the shell above the table; crinkled foil and two to three layers of tape come to a little
    over half a millimetre (common practice, no source).
    ``smooth_mm``: a hand's wobble is a few tenths of a millimetre; curves stay within this of the drawn line.
    """

    bar_long_mm: float | None = None
    bar_short_mm: float | None = None
    height_mm: float = 0.6
    paper: str = "A4"
    cut_colour: str | None = None
    pairs: bool = False
    smooth_mm: float = 0.2
    by_hand: tuple[HandRectangle, ...] = ()

    @classmethod
    def from_plain(cls, values: Mapping[str, Any]) -> TraceSettings:
        """The settings that ``dataclasses.asdict`` made plain, JSON's lists and all. Raises TypeError or ValueError for
        values that are none."""
        told = dict(values)
        told["by_hand"] = tuple(
            HandRectangle(
                str(one["photo"]),
                _pair(one["size_mm"]),
                float(one["sd_mm"]),
                tuple(_pair(corner) for corner in one["corners_px"]),
            )
            for one in told.get("by_hand", ())
        )
        return cls(**told)


def _pair(values: Any) -> tuple[float, float]:
    x, y = values
    return float(x), float(y)


@dataclass(frozen=True, eq=False)
class Tracing:
    """Everything one run found, ready to be written. ``sigma_mm`` (median, worst) 1 σ of a point's place in the shell's
    shape; ``px_per_mm`` (least, most) sampling of the photo over the shell; ``cut_colour`` the marker that
    splits panels; ``sources`` the photos' own bytes; ``blurs`` how far each photo is smeared, where it can be told;
    ``relief`` the shell's heights where several photos tell them."""

    photos: tuple[Photo, ...]
    cameras: tuple[PlaneCamera, ...]
    read_from: int
    flat: FlatView
    silhouette: Silhouette
    strokes: tuple[Stroke, ...]
    panels: tuple[Panel, ...]
    pattern: Pattern
    doubts: tuple[Doubt, ...]
    settings: TraceSettings
    sigma_mm: tuple[float, float]
    px_per_mm: tuple[float, float]
    cut_colour: str
    sources: tuple[bytes, ...] = ()
    timing_s: dict[str, float] = field(default_factory=dict)
    blurs: tuple[Blur | None, ...] = ()
    relief: Relief | None = None
