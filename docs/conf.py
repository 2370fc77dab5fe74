"""The pages as a site: ``make docs`` builds it in ``docs/_build``. Nothing is fetched, neither by the build
nor by a page.
"""

import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from link_terms import linked, terms_of  # noqa: E402 - stands beside this file

project = "innage"
author = "the authors of innage"
extensions = ["myst_parser"]
exclude_patterns = ["_build"]
nitpicky = True
highlight_language = "none"  # blocks are command lines and what they print
myst_heading_anchors = 4
html_theme = "basic"
html_title = "innage"
html_static_path = ["_static"]
html_css_files = ["site.css"]
html_sidebars = {"**": ["searchbox.html", "globaltoc.html"]}
html_copy_source = False
html_use_index = False
html_show_sphinx = False
html_show_copyright = False
smartquotes = False  # quoted words are typed as they stand
pygments_style = "bw"
suppress_warnings = ["misc.highlighting_failure"]  # a client's own command among SQL


def setup(app: Any) -> None:
    """The first use of each term on a page leads to the glossary."""
    terms = terms_of((HERE / "glossary.md").read_text(encoding="utf-8"))

    def link(_app: Any, name: str, source: list[str]) -> None:
        text = source[0].replace("[README](../README.md)", "README")  # which is beside the site
        source[0] = linked(text, name, terms)

    app.connect("source-read", link)
