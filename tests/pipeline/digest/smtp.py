"""Small SMTP servers on this machine, for tests of the mail."""

import socketserver
import threading
from collections.abc import Iterator
from contextlib import contextmanager


class Sink(socketserver.StreamRequestHandler):
    """Enough of RFC 5321 and of AUTH PLAIN to take in a mail; `server.refuse` maps a command to its answer."""

    def handle(self) -> None:
        self.say("220 sink")
        while line := self.rfile.readline().decode("ascii", "replace").strip():
            verb = line.split()[0].upper()
            self.server.heard.append(line)
            refusal = next((v for k, v in self.server.refuse.items() if line.upper().startswith(k)), None)
            if refusal:
                self.say(refusal)
            elif verb == "EHLO":
                self.say("250-sink\r\n250 AUTH PLAIN" if self.server.has_login else "250 sink")
            elif verb == "AUTH":
                self.say("235 welcome")
            elif verb == "DATA":
                self.say("354 go on")
                lines = iter(self.rfile.readline, b".\r\n")
                self.server.mails.append(b"".join(x[1:] if x.startswith(b"..") else x for x in lines))
                if self.server.is_cut_after_data:
                    return
                self.say("250 taken")
            elif verb == "QUIT":
                self.say("221 bye")
                return
            else:
                self.say("250 fine")

    def say(self, words: str) -> None:
        self.wfile.write(words.encode() + b"\r\n")


class Greeter(socketserver.StreamRequestHandler):
    """A server whose greeting never ends, a line at a time, so that no time-out of the socket is ever reached."""

    def handle(self) -> None:
        try:
            while not self.server.is_over.wait(0.02):
                self.wfile.write(b"220-welcome\r\n")
        except OSError:
            self.server.heard.append("gone")


@contextmanager
def served(handler: type[socketserver.StreamRequestHandler] = Sink) -> Iterator[socketserver.ThreadingTCPServer]:
    server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), handler)
    server.daemon_threads = True
    server.heard, server.mails, server.refuse = [], [], {}
    server.has_login, server.is_cut_after_data, server.is_over = False, False, threading.Event()
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield server
    finally:
        server.is_over.set()
        server.shutdown()
        server.server_close()
        thread.join()
