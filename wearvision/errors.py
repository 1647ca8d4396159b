"""Everything that wearvision raises on purpose.

::

    WearvisionError
    ├── InputError                the caller's file or value is at fault
    │   ├── PhotoError            a photo could not be read
    │   │   ├── EmptyPhoto
    │   │   ├── NotAnImage
    │   │   ├── TruncatedPhoto
    │   │   ├── PhotoTooLarge     bytes or pixels over the limit, decompression bombs
    │   │   ├── PhotoTooSmall
    │   │   └── UnsupportedPhoto  an image, in a form that is not read
    │   ├── FolderError           a labelled folder: names file and line (wearvision.labels)
    │   ├── LabelError            a label: names the field (wearvision.labels)
    │   ├── LimitsError           a limits file: names file, row and reason
    │   ├── ReadingError          a hand-check reading that makes no sense
    │   ├── RegradeError          a report that cannot be graded again
    │   ├── ResultsError          a file or folder of results that cannot be read or gone on with
    │   ├── ReturnTagError        a number that no return tag can carry
    │   ├── UnknownPart
    │   ├── UnknownStart
    │   └── WalkError             an answer out of turn in a walk from a symptom
    └── SetupError                the installation is at fault
        ├── BulkError             many photos cannot be worked on: no workers, no scheduler, a missing extra
        └── ModelError            a model folder is missing, damaged or does not fit

Each carries ``code`` (stable, for programs) and a message that says what was wrong, what was
seen and what to do next.
"""

from __future__ import annotations


class WearvisionError(Exception):
    """Base of all errors; ``code`` is stable and meant for programs."""

    code = "error"

    def to_dict(self) -> dict[str, str]:
        """The error as it stands in a JSON line: ``code`` and ``message``."""
        return {"code": self.code, "message": str(self)}


class InputError(WearvisionError):
    """The caller's file or value is at fault."""

    code = "bad_input"


class PhotoError(InputError):
    """A photo could not be read."""

    code = "unreadable_photo"


class EmptyPhoto(PhotoError):
    """The file holds no bytes."""

    code = "empty"


class NotAnImage(PhotoError):
    """The bytes are no image in any form we read."""

    code = "not_an_image"


class TruncatedPhoto(PhotoError):
    """The image starts well and breaks off or is damaged."""

    code = "truncated"


class PhotoTooLarge(PhotoError):
    """More bytes or pixels than the reader accepts."""

    code = "too_large"


class PhotoTooSmall(PhotoError):
    """Too few pixels to hold a part."""

    code = "too_small"


class UnsupportedPhoto(PhotoError):
    """An image in a form that is not read."""

    code = "unsupported"


class RegradeError(InputError):
    """A report cannot be graded again without its photo."""

    code = "no_basis"


class ResultsError(InputError):
    """A file or folder of results cannot be read, written or gone on with."""

    code = "bad_results"


class LimitsError(InputError):
    """A limits file is wrong; the message names file, row and reason."""

    code = "bad_limits"


class ReadingError(InputError):
    """A hand-check reading makes no sense."""

    code = "bad_reading"


class ReturnTagError(InputError):
    """A number that no return tag can carry."""

    code = "bad_return_number"


class UnknownPart(InputError):
    """A part name that is not registered."""

    code = "unknown_part"


class UnknownStart(InputError):
    """A symptom that no start is written for."""

    code = "unknown_start"


class WalkError(InputError):
    """An answer out of turn in a walk from a symptom."""

    code = "bad_walk"


class SetupError(WearvisionError):
    """The installation is at fault."""

    code = "setup"


class BulkError(SetupError):
    """Many photos cannot be worked on: no worker starts, no scheduler answers, an extra is missing."""

    code = "bulk"


class ModelError(SetupError):
    """A model folder is missing, damaged or does not fit this program."""

    code = "bad_model"
