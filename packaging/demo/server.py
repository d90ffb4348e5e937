"""Two services of the harbour on one loopback port, told apart by the name
that the client asks for: server.py PORTFILE NAME... with NAME.crt and NAME.key
beside it. The first name is served to whoever asks for none."""

import os
import socketserver
import ssl
import sys


class Service(socketserver.BaseRequestHandler):
    def handle(self):
        self.request.settimeout(5)
        try:
            with contexts[names[0]].wrap_socket(self.request, server_side=True) as tls:
                tls.recv(4096)
                text = f"this is {tls.chosen}\n"
                tls.sendall(f"HTTP/1.0 200 OK\r\nContent-Length: {len(text)}\r\n\r\n{text}".encode())
        except OSError:
            pass  # the client did not trust us and hung up: that is the story


def choose(tls, asked, _):
    tls.chosen = asked if asked in contexts else names[0]
    tls.context = contexts[tls.chosen]


port_file, *names = sys.argv[1:]
contexts = {}
for name in names:
    contexts[name] = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    contexts[name].load_cert_chain(name + ".crt", name + ".key")
contexts[names[0]].sni_callback = choose

socketserver.ThreadingTCPServer.daemon_threads = True
with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Service) as server:
    with open(port_file + ".new", "w") as out:
        out.write(str(server.server_address[1]))
    os.rename(port_file + ".new", port_file)
    server.serve_forever()
