"""The parts of a pattern laid out on the foam sheets a maker has or buys."""

from extract.foam.closer import pack_closer
from extract.foam.plan import fits, plan_foam
from extract.foam.sheets import sheet_from

__all__ = ["fits", "pack_closer", "plan_foam", "sheet_from"]
