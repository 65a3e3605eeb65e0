"""Every write of this room: one function per act of the trade."""

from lessons.photos import add_photo, mark_photo

from .fits import judge, log_fit_check, take_out_fit_check
from .lessons import carry_fix, change_lesson, log_sighting, prove_lesson, withdraw_proof, write_lesson
from .mockups import add_mockup, answer_question, ask_question, change_mockup
from .trials import Piece, add_piece, change_trial, end_trial, log_step, log_trial, take_out_piece

__all__ = [
    "Piece",
    "add_mockup",
    "add_photo",
    "add_piece",
    "answer_question",
    "ask_question",
    "carry_fix",
    "change_lesson",
    "change_mockup",
    "change_trial",
    "end_trial",
    "judge",
    "log_fit_check",
    "log_sighting",
    "log_step",
    "log_trial",
    "mark_photo",
    "prove_lesson",
    "take_out_fit_check",
    "take_out_piece",
    "withdraw_proof",
    "write_lesson",
]
