"""The measuring loop and the commands of bolotip. Light on purpose: importing it must not import numpy."""

__version__ = "0.1.0"
