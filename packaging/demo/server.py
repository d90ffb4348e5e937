"""Services of the harbour, each on a loopback port of its own: server.py PORTFILE
NAME... with NAME.crt and NAME.key beside it, read anew for every connection, as
if each were restarted when its certificate is renewed. PORTFILE gets a line
NAME PORT for each."""

import os
import socketserver
import ssl
import sys
import threading


class Service(socketserver.BaseRequestHandler):
    def handle(self):
        self.request.settimeout(5)
        name = self.server.service
        try:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(name + ".crt", name + ".key")
            with context.wrap_socket(self.request, server_side=True) as tls:
                tls.recv(4096)
                text = f"this is {name}\n"
                tls.sendall(f"HTTP/1.0 200 OK\r\nContent-Length: {len(text)}\r\n\r\n{text}".encode())
        except OSError:
            pass  # the client did not trust us and hung up: that is the story


port_file, *names = sys.argv[1:]
socketserver.ThreadingTCPServer.daemon_threads = True
lines = []
for name in names:
    server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), Service)
    server.service = name
    lines.append(f"{name} {server.server_address[1]}\n")
    threading.Thread(target=server.serve_forever, daemon=True).start()
with open(port_file + ".new", "w") as out:
    out.writelines(lines)
os.rename(port_file + ".new", port_file)
threading.Event().wait()
