"""What the handlers of all pages have in common."""

from fluewright.web.answers import Page
from fluewright.web.app_state import AppState

__all__ = ["Pages"]


class Pages:
    """Handlers of some pages.

    Attributes
    ----------
    state : AppState
    page : Page
        Fills a page's template.
    """

    def __init__(self, state: AppState, page: Page) -> None:
        self.state, self.page = state, page
