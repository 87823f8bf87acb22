"""What the history tells: control charts, changes with their date, what goes with the recipe.

`scatter.py` estimates the limits, `charts.py` draws the lines, `rules.py` says what counts as a
signal and `runlength.py` how often that would be a false alarm; `change.py` dates steps and
drifts, `recipe.py` relates a quantity to the recipe, `analyse.py` puts it together.
"""
