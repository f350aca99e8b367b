"""The plan: a TOML file that says how the light is meant to be."""

from __future__ import annotations

from stopwise.plan.loading import load_plan
from stopwise.plan.model import Plan

__all__ = ["Plan", "load_plan"]
