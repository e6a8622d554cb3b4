"""Any error as one reason and one advice; the command line and the page say the same words."""

from __future__ import annotations

from dataclasses import dataclass

import extract


@dataclass(frozen=True)
class Refusal:
    """Why there is no pattern, and what to do about it."""

    reason: str
    advice: str


def refusal_for(error: Exception) -> Refusal:
    if isinstance(error, extract.CannotContinue):
        return Refusal(error.reason, error.advice)
    if isinstance(error, MemoryError):
        return Refusal("There is not enough memory for this photo.", "Close other programs, or give a smaller photo.")
    if isinstance(error, FileNotFoundError) and error.filename:
        return Refusal(f"There is no file {error.filename}.", "Check how the name is written.")
    if isinstance(error, OSError):
        about = f"{error.filename}: " if error.filename else ""
        return Refusal(
            f"The system refused ({about}{error.strerror or error}).",
            "Check the name, your rights there, and the space on the disk.",
        )
    return Refusal(
        f"Truepeel stumbled, and that is a fault of its own ({type(error).__name__}).",
        "Please report it with the photo; TRUEPEEL_DEBUG=1 in the environment shows where it happened.",
    )


def is_own_fault(error: Exception) -> bool:
    """Whether the input is innocent."""
    return not isinstance(error, extract.CannotContinue | MemoryError | OSError)
