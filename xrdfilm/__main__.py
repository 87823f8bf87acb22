"""`python -m xrdfilm` is the same as `xrdfilm`."""

from xrdfilm.cli import main

main()
