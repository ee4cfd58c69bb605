"""What the processes of `coldminutes serve` are told: loopback only, no telemetry, our folder."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

HOST = "127.0.0.1"
AUTH_NAME = "auth.txt"


def environment(home: Path, port: int, history_days: int) -> dict[str, str]:
    """The environment of the server and of the runner.

    Settings of another Prefect on this machine are left out, and so is its profile.

    Parameters
    ----------
    home
        Folder of the server's database and settings.
    history_days
        How long runs and what they said are kept.
    """
    kept = {key: value for key, value in os.environ.items() if not key.startswith("PREFECT_")}
    word = auth_word(home)
    return kept | {
        "PREFECT_HOME": str(home),
        "PREFECT_PROFILES_PATH": str(home / "profiles.toml"),
        "PREFECT_API_URL": f"http://{HOST}:{port}/api",
        "PREFECT_API_AUTH_STRING": word,
        "PREFECT_API_DATABASE_CONNECTION_URL": f"sqlite+aiosqlite:///{home}/prefect.db",
        "PREFECT_SERVER_API_HOST": HOST,
        "PREFECT_SERVER_API_PORT": str(port),
        "PREFECT_SERVER_API_AUTH_STRING": word,
        "PREFECT_SERVER_EPHEMERAL_ENABLED": "false",
        # Nobody is told that this runs, or how.
        "DO_NOT_TRACK": "1",
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "PREFECT_CLOUD_ENABLE_ORCHESTRATION_TELEMETRY": "false",
        "PREFECT_TELEMETRY_ENABLE_RESOURCE_METRICS": "false",
        "PREFECT_SERVER_UI_SHOW_PROMOTIONAL_CONTENT": "false",
        "PREFECT_SERVER_SERVICES_DB_VACUUM_ENABLED": "events,flow_runs",
        "PREFECT_SERVER_SERVICES_DB_VACUUM_RETENTION_PERIOD": str(history_days * 86400),
        "PREFECT_SERVER_EVENTS_RETENTION_PERIOD": f"P{history_days}D",
        "PREFECT_RESULTS_PERSIST_BY_DEFAULT": "false",
        "PREFECT_LOGGING_COLORS": "false",
        "PREFECT_CLI_COLORS": "false",
        "PREFECT_CLI_PROMPT": "false",
        "PYTHONUNBUFFERED": "1",
    }


def auth_word(home: Path) -> str:
    """What a client of the server has to say; made at the first start, for this account only.

    Loopback alone would let every account of the machine start runs as this one.
    """
    path = home / AUTH_NAME
    home.mkdir(parents=True, exist_ok=True, mode=0o700)
    if not path.exists():
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="ascii") as out:
            out.write(f"coldminutes:{secrets.token_urlsafe(24)}")
    return path.read_text(encoding="ascii").strip()
