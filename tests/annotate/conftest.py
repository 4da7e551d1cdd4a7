"""Fixtures of the page's tests: a mosaic, its pixels, a running server."""

from page_server import mosaic, pixels, server

__all__ = ["mosaic", "pixels", "server"]
