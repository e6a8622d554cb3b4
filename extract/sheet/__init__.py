"""The way onto paper and into files: tiled true-scale PDF, SVG and DXF of a pattern."""

from extract.sheet.dxf import pattern_dxf
from extract.sheet.layout import PAPERS
from extract.sheet.pdf import pattern_pdf
from extract.sheet.svg import pattern_svg

__all__ = ["PAPERS", "pattern_dxf", "pattern_pdf", "pattern_svg"]
