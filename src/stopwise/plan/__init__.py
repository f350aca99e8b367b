"""The plan: a TOML file that says how the light is meant to be."""

from __future__ import annotations

from stopwise.plan.model import Plan
from stopwise.plan.reading import load_plan

__all__ = ["Plan", "load_plan"]
