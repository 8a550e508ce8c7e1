"""Webhook receivers that misbehave, as a process of their own: HOW. Says its address; ends with the process above.

HOW: `headers` and `body` send bytes for ever, `drip` one byte a second, `silent` takes the request and never answers.
"""

import socket
import sys
import threading
import time

BLOCK = b"x" * 65_536


def serve(line: socket.socket, how: str) -> None:
    try:
        line.recv(65_536)
        if how == "silent":
            while line.recv(65_536):
                pass
        line.sendall(b"HTTP/1.1 200 OK\r\n")
        if how == "headers":
            while True:
                line.sendall(b"x-more: " + BLOCK[:1000] + b"\r\n")
        line.sendall(b"content-length: 1000000000000\r\n\r\n")
        while True:
            if how == "drip":
                time.sleep(1.0)
                line.sendall(b"x")
            else:
                line.sendall(BLOCK)
    except OSError:
        pass  # hung up on
    finally:
        line.close()


def main(how: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        print(f"http://127.0.0.1:{server.getsockname()[1]}/", flush=True)
        threading.Thread(target=lambda: (sys.stdin.read(), server.close()), daemon=True).start()
        while True:
            line, _ = server.accept()
            threading.Thread(target=serve, args=(line, how), daemon=True).start()


if __name__ == "__main__":
    main(*sys.argv[1:])
