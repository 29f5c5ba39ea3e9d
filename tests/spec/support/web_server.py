"""A web server by TLS, for the tests of alerts.

Argument: folder. The folder has cert.pem and key.pem; each request is written
to "taken" there, one JSON object a line, before it is answered.
"""

import http.server
import json
import pathlib
import ssl
import sys

folder = pathlib.Path(sys.argv[1])


class Handler(http.server.BaseHTTPRequestHandler):
    def take(self):
        length = int(self.headers.get("Content-Length", 0))
        request = {
            "method": self.command,
            "path": self.path,
            "body": self.rfile.read(length).decode(),
        }
        with open(folder / "taken", "a") as file:
            file.write(json.dumps(request) + "\n")
        self.send_response(204)
        self.end_headers()

    do_GET = do_POST = take

    def log_message(self, *_):
        pass


context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
context.load_cert_chain(folder / "cert.pem", folder / "key.pem")
server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
server.socket = context.wrap_socket(server.socket, server_side=True)
print(server.server_address[1], flush=True)
server.serve_forever()
