"""Optics, stack and the intensity model: from grains and layers to the areas of lines."""
