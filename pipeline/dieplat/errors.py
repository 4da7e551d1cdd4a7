"""Every error that the library raises on purpose.

    DieplatError
    ├── InputError (also ValueError)      what was given cannot be used
    │   ├── PictureError                  a picture is unreadable, truncated or of a kind not handled
    │   ├── TileSetError                  a folder of tiles does not make a set
    │   ├── AnnotationError               a GeoJSON file or one of its features
    │   ├── ScaleError                    a scale file or a scale value
    │   ├── RulingError                   no usable ruling in a stage-micrometer picture
    │   ├── MosaicError                   a mosaic file or its layout
    │   ├── SettingsError                 survey.toml or a numeric setting
    │   └── ImageRequestError             a request for part of a picture that cannot be answered
    ├── RegistrationError (RuntimeError)  the tiles cannot be joined
    ├── ClusterError (RuntimeError)       workers that are missing, differ, do not see the storage, or were lost
    ├── UndecidedError (RuntimeError)     a measurement that the picture does not decide: refused, not guessed
    ├── DrawingConflictError (RuntimeError)  a drawing that has changed on disk since it was read
    └── OutputExistsError (FileExistsError)  an output that dieplat did not write itself would be replaced

Messages are one line: the file or thing named, what was found, what to do.
"""

from __future__ import annotations


class DieplatError(Exception):
    """Root of the library's own errors."""


class InputError(DieplatError, ValueError):
    """What was given cannot be used."""


class PictureError(InputError):
    """A picture is unreadable, truncated, or of a kind that is not handled."""


class TileSetError(InputError):
    """A folder of tiles does not make a set."""


class AnnotationError(InputError):
    """A GeoJSON file or one of its features cannot be used."""


class ScaleError(InputError):
    """A scale file or a scale value cannot be used."""


class RulingError(InputError):
    """No usable ruling was found in a stage-micrometer picture."""


class MosaicError(InputError):
    """A mosaic file or its layout cannot be used."""


class SettingsError(InputError):
    """A survey.toml file or a numeric setting cannot be used."""


class ImageRequestError(InputError):
    """A request for part of a picture cannot be answered."""


class DrawingConflictError(DieplatError, RuntimeError):
    """A drawing has changed on disk since it was read."""


class RegistrationError(DieplatError, RuntimeError):
    """The tiles cannot be joined into one layout."""


class ClusterError(DieplatError, RuntimeError):
    """A cluster cannot do the work: no answer, other versions, storage that is not shared, or workers lost."""


class UndecidedError(DieplatError, RuntimeError):
    """The picture does not decide a measurement; it is refused rather than guessed."""


class OutputExistsError(DieplatError, FileExistsError):
    """An output that dieplat did not write itself would be replaced."""
