"""Ask one service for its page with Python's own idea of whom to trust:
ask.py NAME PORT."""

import socket
import ssl
import sys

name, port = sys.argv[1], int(sys.argv[2])
try:
    with socket.create_connection(("127.0.0.1", port), timeout=10) as plain:
        with ssl.create_default_context().wrap_socket(plain, server_hostname=name) as tls:
            tls.sendall(b"GET / HTTP/1.0\r\n\r\n")
            print(tls.recv(4096).decode().splitlines()[-1])
except ssl.SSLCertVerificationError as why:
    sys.exit(f"{type(why).__name__}: {why.verify_message}")
