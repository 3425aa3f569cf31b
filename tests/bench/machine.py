"""On what the figures were measured: without that they say nothing."""

import os
import platform
import sqlite3
from importlib.metadata import version
from pathlib import Path


def described(*databases: str) -> str:
    """One line: processor, cores, how busy they were at the start, Python, the databases."""
    load = f"load at the start {os.getloadavg()[0]:.1f}"
    python = f"{platform.python_implementation()} {platform.python_version()}"
    libraries = ", ".join(f"{name} {version(name)}" for name in ("uvicorn", "fastapi", "sqlalchemy", "psycopg"))
    return "; ".join([f"{_processor()}, {os.cpu_count()} cores, {load}", python, *databases, libraries])


def sqlite_version() -> str:
    """The library that Python carries."""
    return f"SQLite {sqlite3.sqlite_version}"


def _processor() -> str:
    known = Path("/proc/cpuinfo")
    lines = known.read_text().splitlines() if known.is_file() else []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.processor() or platform.machine()
