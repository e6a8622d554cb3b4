"""The way onto paper and into files: tiled true-scale PDF, SVG and DXF of a pattern."""

from extract.sheet.layout import PAPERS
from extract.sheet.pdf import pattern_pdf

__all__ = ["PAPERS", "pattern_pdf"]
