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
    """Re-plan interval, start jitter and the heartbeat address.

    Attributes
    ----------
    storm_interval_h : float
        Plan again this often while something is ahead [h].
    jitter_h : float
        Start up to this much early, to spread load on the services [h].
    heartbeat : str or None
        Address asked for after every morning run, for an outside monitor.
    """

    storm_interval_h: Annotated[float, quantity("duration", "15 min", "24 h")] = Field(
        3.0, alias="storm_interval"
    )
    jitter_h: Annotated[float, quantity("duration", "0 min", "1 h")] = Field(
        10.0 / 60.0, alias="jitter"
    )
    heartbeat: Url | None = None


class MailSettings(Record):
    """Mail server, sender and recipients of the briefing.

    Attributes
    ----------
    host : str
        Mail server.
    port : int
        Its port [-].
    security : str
        starttls, tls (port 465), or none to this machine only.
    sender : str
        Address the mail is from.
    to : tuple of str
        Who gets the briefing.
    user_env : str or None
        Environment variable that holds the user name.
    password_env : str or None
        Environment variable that holds the password.
    password_file : str or None
        File that holds it instead; only its owner may read it.
    """

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
    """An address that is told by a signed POST.

    Attributes
    ----------
    url : str
        The address.
    secret_env : str or None
        Environment variable that holds the key messages are signed with.
    secret_file : str or None
        File that holds it instead; only its owner may read it.
    """

    url: Url
    secret_env: EnvironmentVariable | None = None
    secret_file: str | None = None

    @model_validator(mode="after")
    def _one_secret(self) -> WebhookSettings:
        if (self.secret_env is None) == (self.secret_file is None):
            raise ValueError("give secret_env or secret_file: an unsigned message proves nothing")
        return self


class TextSettings(Record):
    """A way to send text messages: a program of the owner's, or a web address.

    Attributes
    ----------
    command : tuple of str or None
        A program and its arguments, run without a shell for each message: the text arrives on its
        standard input, the phone number in the environment variable STORMPLAN_RECIPIENT.
    webhook : WebhookSettings or None
        An address that is sent number and text.
    """

    command: tuple[str, ...] | None = Field(None, min_length=1)
    webhook: WebhookSettings | None = None

    @model_validator(mode="after")
    def _one_way(self) -> TextSettings:
        if (self.command is None) == (self.webhook is None):
            raise ValueError("give command or webhook: the one way text messages are sent by")
        return self


class DeliverySettings(Record):
    """Delivery of announced briefings by mail, webhook or command.

    Attributes
    ----------
    keep_reports : int
        Past sets of reports kept in the folder [-]; plans stay in the archive.
    mail : MailSettings or None
        By mail.
    webhook : WebhookSettings or None
        To a web address.
    command : tuple of str or None
        A program and its arguments, run without a shell; the text arrives on its standard
        input.
    text : TextSettings or None
        How text messages to clients are sent, by `stormplan notices send` only.
    """

    keep_reports: int = Field(200, ge=2)
    mail: MailSettings | None = None
    webhook: WebhookSettings | None = None
    command: tuple[str, ...] | None = Field(None, min_length=1)
    text: TextSettings | None = None
