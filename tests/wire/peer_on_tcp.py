"""A peer of the virtual bench behind a socket on the loopback, served by a thread."""

from __future__ import annotations

import socket
import threading

from drivers.clock import SystemClock


class PeerOnTcp:
    """Serves one client at a time until it is closed; bytes go at once, as on a network."""

    def __init__(self, peer) -> None:
        self._peer = peer
        self._clock = SystemClock()
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(5.0)
        self.port = f"tcp://127.0.0.1:{self._server.getsockname()[1]}"
        self._ended = False
        self._client: socket.socket | None = None
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        try:
            self._client, _ = self._server.accept()
        except OSError:
            return
        self._peer.opened(self._clock.elapsed_s())
        while not self._ended:
            left_s = self._peer.next_s() - self._clock.elapsed_s()
            self._client.settimeout(min(max(left_s, 0.001), 0.02))
            try:
                data = self._client.recv(4096)
                if not data:
                    return
                self._peer.receive(data, self._clock.elapsed_s())
            except TimeoutError:
                pass
            except OSError:
                return
            while self._peer.next_s() <= (now_s := self._clock.elapsed_s()):
                self._client.sendall(self._peer.take(now_s))

    def hang_up(self) -> None:
        """End the connection from the instrument's side."""
        self._ended = True
        self._thread.join(5.0)
        if self._client is not None:
            self._client.close()

    def close(self) -> None:
        self.hang_up()
        self._server.close()
