"""A server of files by byte ranges on this machine, with the faults that a test asks for.

Prints its port, then serves until it is ended. Every request is a line of JSON in the log: path, range, status, bytes sent.
Python's own http.server knows no ranges, so they are answered here (RFC 9110, 14).
"""
import argparse
import hashlib
import json
import os
import sys
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

parser = argparse.ArgumentParser()
parser.add_argument("folder")
parser.add_argument("log")
parser.add_argument("--fail", default="", help="numbers of requests answered 503, as 0,1,7")
parser.add_argument("--die-after", type=int, default=0, help="after so many requests half a body is sent and the server ends")
parser.add_argument("--change-after", type=int, default=0, help="after so many requests all entity tags are others")
parser.add_argument("--no-ranges", action="store_true")
parser.add_argument("--no-identity", action="store_true", help="neither entity tag nor date")
parser.add_argument("--query", default="", help="what every query must be, else 403")
parser.add_argument("--header", default="", help="what the header X-Key must be, else 403")
parser.add_argument("--redirect", default="", help="/moved/... is sent on to this prefix")
options = parser.parse_args()
failing = {int(number) for number in options.fail.split(",") if number}

lock = threading.Lock()
count = 0
log = open(options.log, "w", buffering=1)


class Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def log_message(self, *_):
        pass

    def tell(self, status, sent):
        line = {"method": self.command, "path": self.path, "range": self.headers.get("Range", ""), "status": status, "bytes": sent,
                "key": self.headers.get("X-Key", "")}
        with lock:
            log.write(json.dumps(line) + "\n")

    def plain(self, status, **headers):
        text = b"" if self.command == "HEAD" else f"{status}\n".encode()
        self.tell(status, len(text))
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name.replace("_", "-"), value)
        self.send_header("Content-Length", str(len(text)))
        self.end_headers()
        self.wfile.write(text)

    def do_HEAD(self):
        self.answer()

    def do_GET(self):
        self.answer()

    def answer(self):
        global count
        with lock:
            number, count = count, count + 1
        path, _, query = self.path.partition("?")
        if number in failing:
            return self.plain(503)
        if options.redirect and path.startswith("/moved/"):
            return self.plain(302, Location=options.redirect + path[len("/moved/"):])
        if options.query and query != options.query or options.header and self.headers.get("X-Key") != options.header:
            return self.plain(403)
        file = os.path.normpath(os.path.join(options.folder, path.lstrip("/")))
        if not file.startswith(os.path.abspath(options.folder) + os.sep) or not os.path.isfile(file):
            return self.plain(404)
        with open(file, "rb") as stream:
            whole = stream.read()
        begin, end, status = 0, len(whole) - 1, 200
        wanted = self.headers.get("Range", "")
        if wanted.startswith("bytes=") and not options.no_ranges:
            first, _, last = wanted[len("bytes="):].partition("-")
            begin, end, status = int(first), min(int(last or end), end), 206
            if begin > end:
                return self.plain(416, Content_Range=f"bytes */{len(whole)}")
        body = whole[begin:end + 1] if self.command == "GET" else b""
        changed = options.change_after and number >= options.change_after
        dying = options.die_after and number >= options.die_after
        if dying:
            body = body[:len(body) // 2]
        self.tell(status, len(body))
        self.send_response(status)
        self.send_header("Content-Length", str(end + 1 - begin))
        if not options.no_ranges:
            self.send_header("Accept-Ranges", "bytes")
        if status == 206:
            self.send_header("Content-Range", f"bytes {begin}-{end}/{len(whole)}")
        if not options.no_identity:
            tag = hashlib.sha256(path.encode() + whole[:4096]).hexdigest()[:16] + ("-new" if changed else "")
            self.send_header("ETag", f'"{tag}"')
            self.send_header("Last-Modified", "Sun, 01 Mar 2026 12:00:00 GMT")
        self.end_headers()
        try:
            self.wfile.write(body)
            self.wfile.flush()
        except (BrokenPipeError, ConnectionResetError):
            pass
        if dying:
            log.flush()
            os._exit(0)


server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
server.daemon_threads = True
server.handle_error = lambda *_: None  # clients leave when they have enough
print(server.server_address[1], flush=True)
sys.stdout.close()
server.serve_forever()
