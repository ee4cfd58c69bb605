"""Unattended rounds: what is due, made in order, each edition once, whatever was broken off."""

from pipeline.rounds.make import Round, look_ahead, make_round

__all__ = ["Round", "look_ahead", "make_round"]
