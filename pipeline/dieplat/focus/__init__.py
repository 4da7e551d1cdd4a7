"""Several pictures of one field at different focus settings, fused into one that is sharp throughout."""

from dieplat.focus.series import fuse_series, show_one_field_each

__all__ = ["fuse_series", "show_one_field_each"]
