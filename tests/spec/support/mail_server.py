"""A mail server that wants encryption and a login, for the tests of alerts.

Arguments: folder, user, password, and "starttls" or "tls". The folder has cert.pem and key.pem; the
file "mode" there says what to do with the next mail: "take" (or no file),
"refuse", or "chance SEED": then a seeded coin decides between taking it,
refusing it for now, closing without having taken it, and taking it but
closing before the answer. What was taken is written to "taken" there, one
JSON object a line, before anything is answered.
"""

import asyncio
import email
import email.policy
import json
import pathlib
import random
import ssl
import sys

from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword

folder, user, password, encryption = sys.argv[1:]
folder = pathlib.Path(folder)
chance = None


def login(server, session, envelope, mechanism, data):
    right = isinstance(data, LoginPassword) and (
        data.login == user.encode() and data.password == password.encode()
    )
    return AuthResult(success=right, handled=False)


class Handler:
    async def handle_DATA(self, server, session, envelope):
        what = choose()
        if what in ("take", "lose the answer"):
            take(session, envelope, what, is_encrypted(server, session))
        if what == "take":
            return "250 taken"
        if what == "refuse":
            return "451 not now"
        server.transport.abort()
        await asyncio.sleep(3600)


def choose():
    global chance
    file = folder / "mode"
    mode = file.read_text().split() if file.exists() else ["take"]
    if mode[0] != "chance":
        return mode[0]
    if chance is None:
        chance = random.Random(int(mode[1]))
    return chance.choices(
        ["take", "refuse", "close", "lose the answer"], [60, 15, 10, 15]
    )[0]


def take(session, envelope, what, encrypted):
    mail = email.message_from_bytes(
        envelope.original_content, policy=email.policy.default
    )
    line = json.dumps(
        {
            "answered": what == "take",
            "hello": session.host_name,
            "encrypted": encrypted,
            "login": session.authenticated,
            "from": envelope.mail_from,
            "to": envelope.rcpt_tos,
            "message_id": str(mail["Message-ID"]),
            "subject": str(mail["Subject"]),
            "type": mail.get_content_type(),
            "automatic": str(mail["Auto-Submitted"]),
            "text": mail.get_content(),
        }
    )
    with open(folder / "taken", "a") as file:
        file.write(line + "\n")


def is_encrypted(server, session):
    ssl_object = server.transport.get_extra_info("ssl_object")
    return session.ssl is not None or ssl_object is not None


async def main():
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / "cert.pem", folder / "key.pem")

    begun_in_clear = encryption == "starttls"

    def serve():
        return SMTP(
            Handler(),
            hostname="mail.test",
            tls_context=context if begun_in_clear else None,
            require_starttls=begun_in_clear,
            authenticator=login,
            auth_required=True,
            # It is encrypted already, which the library does not see.
            auth_require_tls=begun_in_clear,
        )

    loop = asyncio.get_running_loop()
    server = await loop.create_server(
        serve, "127.0.0.1", 0, ssl=None if begun_in_clear else context
    )
    print(server.sockets[0].getsockname()[1], flush=True)
    await server.serve_forever()


asyncio.run(main())
