"""What lets a machine run noonmark by itself: a systemd unit, a container file, a line for cron."""

import shlex
import shutil

from pipeline.config.settings import load_settings
from pipeline.workspace.places import Workspace

UNIT = """\
# /etc/systemd/system/noonmark.service: then `systemctl enable --now noonmark`, and `journalctl -u noonmark` for its log
[Unit]
Description=noonmark: exports of PV and battery sites, taken in by day and judged each morning
After=network-online.target
Wants=network-online.target
RequiresMountsFor={unit_root}

[Service]
User=noonmark
ExecStart={unit_program} --workspace {unit_root} schedule
Environment=NOONMARK_LOG_FORMAT=json
# NOONMARK_MAIL_PASSWORD=... in this file, readable by root alone:
EnvironmentFile=-/etc/noonmark.env
# SIGTERM ends it at its next safe point; what was missed meanwhile is made up for at the next start.
KillSignal=SIGTERM
TimeoutStopSec=15min
Restart=on-failure
RestartSec=60
# 2 = a fault in the settings or the register, 3 = it runs already: to start it again would change neither
RestartPreventExitStatus=2 3
Nice=5
NoNewPrivileges=true
PrivateTmp=true
ProtectSystem=strict
ProtectHome=read-only
ReadWritePaths={unit_root}

[Install]
WantedBy=multi-user.target
"""
CONTAINER = """\
# Containerfile, beside pyproject.toml: `podman build -t noonmark .`
# then `podman run -d --name noonmark --stop-timeout 900 -v {shell_root}:/desk:Z noonmark`
FROM python:3.11-slim
COPY . /src
RUN pip install --no-cache-dir -c /src/.ci/constraints.txt /src && useradd --system noonmark
USER noonmark
ENV NOONMARK_WORKSPACE=/desk NOONMARK_LOG_FORMAT=json
VOLUME /desk
STOPSIGNAL SIGTERM
HEALTHCHECK --interval=5m --timeout=30s CMD ["noonmark", "status"]
ENTRYPOINT ["noonmark"]
CMD ["schedule"]
"""
CRON = """\
# In place of the service: `crontab -e` of the user who owns the workspace. Two runs never overlap (exit status 3).
# CRON_TZ is cronie's; a cron that does not know it goes by the machine's own zone.
CRON_TZ={zone}
*/15 * * * *  {cron_program} --workspace {cron_root} ingest
{minute} {hour} * * *  {cron_program} --workspace {cron_root} cycle{mail}
# A copy each Sunday, and older months of the archive packed:
15 12 * * 0  {cron_program} --workspace {cron_root} backup {cron_root}-backup-$(date +\\%F)
45 12 * * 0  {cron_program} --workspace {cron_root} archive --pack
"""


def service_files(workspace: Workspace) -> dict[str, str]:
    """The text of each by its file's name, for the workspace and its [schedule] as they are; nothing is changed."""
    settings, _ = load_settings(workspace)
    hour, minute = settings.schedule.digest_at.split(":")
    root, program = str(workspace.root), shutil.which("noonmark") or "noonmark"
    values = {
        "shell_root": shlex.quote(root), "unit_root": _for_unit(root), "unit_program": _for_unit(program),
        "cron_root": _for_cron(root), "cron_program": _for_cron(program), "zone": settings.schedule.timezone,
        "hour": str(int(hour)), "minute": str(int(minute)), "mail": " --mail" if settings.mail.host else "",
    }  # fmt: skip
    texts = {"noonmark.service": UNIT, "Containerfile": CONTAINER, "crontab": CRON}
    return {name: text.format(**values) for name, text in texts.items()}


def _for_unit(path: str) -> str:
    """As systemd reads it: `%` begins a specifier, a space ends a word."""
    safe = path.replace("\\", "\\\\").replace("%", "%%")
    return f'"{safe}"' if " " in safe else safe


def _for_cron(path: str) -> str:
    """As the shell that cron starts reads it; to cron itself `%` ends the line."""
    return shlex.quote(path).replace("%", "\\%")
