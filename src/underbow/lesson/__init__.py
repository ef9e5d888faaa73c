"""What is handed out."""

from underbow.lesson.handout import make_handout
from underbow.lesson.lesson import Made, Wish, make_lesson
from underbow.lesson.page import make_page

__all__ = ["Made", "Wish", "make_handout", "make_lesson", "make_page"]
