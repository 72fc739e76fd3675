"""Sphinx: README, DEVELOPERS.md, CHANGELOG.md and the pages of docs/ as one site with a search box. `make docs` calls it."""

project = "quietfloor"
extensions = ["myst_parser"]
root_doc = "README"
include_patterns = ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "docs/*.md", "bench/**lesson.md"]
myst_heading_anchors = 3  # a link to a heading is written as code hosts make it
html_theme = "alabaster"
html_theme_options = {"page_width": "72em", "sidebar_width": "15em", "fixed_sidebar": True}
html_copy_source = False

CONTENTS = """
```{toctree}
:hidden:
:glob:

docs/*
bench/**lesson
DEVELOPERS
CHANGELOG
```
"""


def add_contents(app, page, source):
    """The README stays free of marks for this generator: its list of pages is added here."""
    if page == root_doc:
        source[0] += CONTENTS


def setup(app):
    app.connect("source-read", add_contents)
