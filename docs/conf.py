"""Configuration of the documentation; `make docs` builds it without a network."""

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

# Terminal codes or a narrow terminal of the caller must not reach the generated command reference.
os.environ.update(COLUMNS="100", NO_COLOR="1")

from anechain import __version__

project = "Anechain"
author = "The Anechain contributors"
copyright = "the Anechain contributors, Apache-2.0"
release = version = __version__

extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon", "generated_reference"]
exclude_patterns = ["_build"]
nitpicky = True
# Names of other libraries cannot be resolved without their inventories, which would have to be downloaded.
# Names that begin with "anechain." are resolved in generated_reference.py, which warns about those that do not exist.
nitpick_ignore_regex = [(r"py:.*", r".*")]

myst_enable_extensions = ["deflist", "dollarmath"]
myst_heading_anchors = 4

default_role = "code"
python_use_unqualified_type_names = True
python_display_short_literal_types = True
add_module_names = False
autodoc_member_order = "bysource"
autodoc_typehints = "none"
autodoc_preserve_defaults = True
napoleon_google_docstring = False
napoleon_use_ivar = True

html_theme = "furo"
html_title = "Anechain"
html_static_path = ["_static"]
html_css_files = ["anechain.css"]
html_copy_source = False
html_show_sphinx = False
html_permalinks_icon = "#"
pygments_style = "friendly"
html_theme_options = {
    "light_css_variables": {"color-brand-primary": "#005a8c", "color-brand-content": "#005a8c"},
    "dark_css_variables": {"color-brand-primary": "#56b4e9", "color-brand-content": "#56b4e9"},
}
