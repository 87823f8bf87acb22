"""The page on the desk: look at runs, drop scans, state a stack, adjust a fit, compare, follow.

`create_app` makes the web application; `desk.py` keeps what was dropped, `jobs.py` works in
processes of their own, `safety.py` is the gate in front, `forms.py` turns forms into run.toml.
Needs the extra ``serve``.
"""
