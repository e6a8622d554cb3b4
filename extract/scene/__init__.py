"""Invented photos of marked shells beside scale cards, with their exact truth.

For the demonstration and for tests that must know the answer. Everything is drawn in this room from a seed.
"""

from extract.scene.make import Scene, make_scene, make_views, write_scene
from extract.scene.options import PRESETS, TABLES, SceneOptions, options_for

__all__ = ["PRESETS", "TABLES", "Scene", "SceneOptions", "make_scene", "make_views", "options_for", "write_scene"]
