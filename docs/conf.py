"""Settings of the documentation site; `make docs` builds it, warnings are errors."""

from xrdfilm import __version__

project = "xrdfilm"
author = "The xrdfilm developers"
project_copyright = author
release = version = __version__

extensions = ["myst_parser"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["_build"]
highlight_language = "text"  # an indented block is a formula, not a program
nitpicky = True
myst_heading_anchors = 3
myst_enable_extensions = ["deflist"]

html_theme = "furo"
html_title = "xrdfilm"
html_static_path = ["_static"]
html_css_files = ["calm.css"]
html_show_sphinx = False
html_show_copyright = False
html_copy_source = False
html_last_updated_fmt = ""
html_theme_options = {
    "light_css_variables": {
        "color-brand-primary": "#00558f",
        "color-brand-content": "#00558f",
        "color-foreground-primary": "#1c1f26",
        "color-foreground-secondary": "#575c68",
        "color-background-primary": "#fffefb",
        "color-background-secondary": "#f6f3ea",
        "color-background-border": "#e6e2d8",
        "color-sidebar-background": "#f6f3ea",
        "color-code-background": "#f8f6f0",
    },
    "dark_css_variables": {
        "color-brand-primary": "#8fc3ea",
        "color-brand-content": "#8fc3ea",
        "color-background-primary": "#16181d",
        "color-background-secondary": "#1c1f26",
        "color-sidebar-background": "#1c1f26",
    },
}
