"""The sentences printed on the guide page."""

from __future__ import annotations

HOW_TO_PRINT = (
    "Print this page first, at 100 % or “actual size”: no “fit to page”, no “shrink”.",
    "Lay a steel ruler on the four lines beside this text. If a 100 mm line is more than 0.5 mm off, "
    "set the printer right before you go on.",
    "Print the other pages on the same paper and the same day: damp paper grows.",
    "Where a strip says “cut off”, cut along its grey line and lay the page on its neighbour, up to "
    "the grey line there. Each mark must close to a ring with two grey quarters, as on the right.",
    "Start at the top left of the map. Tape or glue the pages flat, then glue them to cardstock.",
    "Cut the wide line away: a part cut outside it comes out larger than the pattern.",
)
# The step that speaks of the marks, counted from 1; a mark is drawn beside it.
JOINING_STEP = 4

# The usual cautions of the trade, after makers' guides, school workshop sheets and safety data sheets.
CAUTIONS = (
    ("Knives", "dull fast. Change blades often, cut in several passes, away from your hand; wear eye protection."),
    ("Band saw", "guard just above the work, fingers well away, never back out of a cut while it runs."),
    (
        "Heat gun, hot cutting",
        "outdoors or with extraction, no pets nearby. Stop at the first smoke; never burn foam.",
    ),
    (
        "Contact cement",
        "its vapour is flammable and travels: no pilot lights, heaters, motors or sparks. Air the room, and use no "
        "heat before the solvent is gone.",
    ),
    (
        "Sanding dust",
        "goggles and a particulate filter. A dust filter does nothing against vapour, nor a vapour filter for dust.",
    ),
    (
        "A helmet",
        "takes sight, hearing and air. Try it at rest with a helper and a quick way off; not on roads or stairs alone.",
    ),
)
DEFER = (
    "The material’s safety data sheet, local codes and licensed practice come before anything said here. What is made "
    "from this pattern is not protective equipment."
)
PLUS_MINUS = "± is one standard deviation of the outline’s shape: two points in three lie closer than this."
