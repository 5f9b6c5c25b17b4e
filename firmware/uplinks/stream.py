"""A connection to a broker over TCP, with TLS where wanted, without ever waiting for it."""

import select
import socket

_ON_ITS_WAY = (115, 119, 36)  # EINPROGRESS: Linux and lwIP, newlib, BSD


class Stream:
    """One connection, being made.

    Args:
        address: IPv4 address; a name would have to be looked up, and looking up waits.
        port: its TCP port.
        name: name that the broker's certificate must carry.
        ca: the authority's certificate as DER; None for no TLS.
    """

    def __init__(self, address, port, name=None, ca=None):
        self._name = name
        self._ca = ca
        self._socket = self._stream = socket.socket()
        self._connected = False
        self._poll = select.poll()
        self._socket.setblocking(False)
        try:
            self._socket.connect(socket.getaddrinfo(address, port)[0][-1])
        except OSError as error:
            if error.args[0] not in _ON_ITS_WAY:
                self._socket.close()
                raise
        self._poll.register(self._socket, select.POLLOUT)

    def connected(self):
        """True once bytes can go; OSError when the connection fails."""
        if self._connected:
            return True
        for _, events in self._poll.ipoll(0):
            if events & (select.POLLERR | select.POLLHUP):
                raise OSError(111)  # ECONNREFUSED
            if events & select.POLLOUT:
                self._poll.unregister(self._socket)
                self._begin_tls()
                self._connected = True
        return self._connected

    def read_into(self, view):
        """Number of bytes read, 0 for none now; OSError when the connection has ended."""
        count = self._stream.readinto(view)
        if count == 0:
            raise OSError(104)  # ECONNRESET
        return count or 0

    def write(self, view):
        """Number of bytes taken, in one go; OSError when the connection has ended."""
        return self._stream.write(view) or 0

    def close(self):
        """Ends it at once."""
        try:
            self._stream.close()
        finally:
            self._socket.close()

    def _begin_tls(self):
        """The handshake proceeds by itself as bytes are read and written."""
        if self._ca is None:
            return
        import ssl

        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.verify_mode = ssl.CERT_REQUIRED
        context.load_verify_locations(cadata=self._ca)
        self._stream = context.wrap_socket(self._socket, server_hostname=self._name, do_handshake_on_connect=False)
