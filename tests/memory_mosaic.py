"""A mosaic in memory, for tests of what reads one."""


class Memory:
    """A picture (H, W) or (H, W, 3), read like a mosaic; remembers the largest window it was asked for."""

    def __init__(self, picture):
        self.picture = picture
        self.height_px, self.width_px = picture.shape[:2]
        self.largest = 0

    def read(self, x0, y0, x1, y1, level=0):
        crop = self.picture[max(y0, 0) : y1, max(x0, 0) : x1]
        self.largest = max(self.largest, crop.shape[0] * crop.shape[1])
        return crop.copy()
