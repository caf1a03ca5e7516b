"""What holds for every test: it leaves nothing behind."""

from left_behind import nothing_left_behind

__all__ = ["nothing_left_behind"]
