"""The local page: the mosaic by the IIIF Image API, the drawing kept on disk, numbers from the library."""
