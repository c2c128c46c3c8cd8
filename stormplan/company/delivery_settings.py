"""Schedule and delivery settings of the sites file.

No secret stands here: a password or key is named by an environment variable, or by a file that
only its owner may read.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from stormplan.company.validators import (
    EnvironmentVariable,
    Host,
    MailAddress,
    Record,
    Url,
    quantity,
)

LOOPBACK = ("localhost", "127.0.0.1")


class ScheduleSettings(Record):
    """Re-plan interval, start jitter and the heartbeat address."""

    storm_interval_h: Annotated[float, quantity("duration", "15 min", "24 h")] = Field(
        3.0, alias="storm_interval"
    )
    jitter_h: Annotated[float, quantity("duration", "0 min", "1 h")] = Field(
        10.0 / 60.0, alias="jitter"
    )
    heartbeat: Url | None = None


class MailSettings(Record):
    """Mail server, sender and recipients of the briefing."""

    host: Host
    port: int = Field(587, ge=1, le=65535)
    security: Literal["starttls", "tls", "none"] = "starttls"
    sender: MailAddress = Field(alias="from")
    to: tuple[MailAddress, ...] = Field((), max_length=100)
    user_env: EnvironmentVariable | None = None
    password_env: EnvironmentVariable | None = None
    password_file: str | None = None

    @model_validator(mode="after")
    def _safe(self) -> MailSettings:
        named = (self.password_env, self.password_file)
        if all(named):
            raise ValueError("give password_env or password_file, not both")
        if (self.user_env is None) != (not any(named)):
            raise ValueError("user_env and password_env (or password_file) belong together")
        if self.security == "none" and self.host not in LOOPBACK:
            raise ValueError(
                "mail without encryption is sent to this machine only; "
                "accepted: security: starttls, or tls"
            )
        return self


class WebhookSettings(Record):
    """An address that is told by a signed POST."""

    url: Url
    secret_env: EnvironmentVariable | None = None
    secret_file: str | None = None

    @model_validator(mode="after")
    def _one_secret(self) -> WebhookSettings:
        if (self.secret_env is None) == (self.secret_file is None):
            raise ValueError("give secret_env or secret_file: an unsigned message proves nothing")
        return self


class DeliverySettings(Record):
    """Delivery of announced briefings by mail, webhook or command."""

    keep_reports: int = Field(200, ge=2)
    mail: MailSettings | None = None
    webhook: WebhookSettings | None = None
    command: tuple[str, ...] | None = Field(None, min_length=1)
