"""To-scale pictures of an instrument and its results as SVG, one code for screen and paper."""

from fluewright.pictures.chart import hanging_chart
from fluewright.pictures.results import NoteMark
from fluewright.pictures.section import head_section
from fluewright.pictures.views import side_view, top_view

__all__ = ["NoteMark", "hanging_chart", "head_section", "side_view", "top_view"]
