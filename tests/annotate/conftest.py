"""Fixtures of the page's tests: a mosaic, its pixels, a running server, a browser with the page."""

from browser_page import browser, page
from page_server import mosaic, pixels, server

__all__ = ["browser", "mosaic", "page", "pixels", "server"]
