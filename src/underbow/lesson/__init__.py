"""What is handed out."""

from underbow.lesson.lesson import Made, make_lesson
from underbow.lesson.options import LessonOptions
from underbow.lesson.practice.page import make_page
from underbow.lesson.print.handout import make_handout

__all__ = ["LessonOptions", "Made", "make_handout", "make_lesson", "make_page"]
