"""A store for benchmarks: takes what it is sent at the least expense, keeps nothing, in its own process.

    python -m tests.bench.s3_sink [--at ADDRESS] [CERT KEY]

It prints its port; with a certificate it speaks TLS.

It answers what clients of an S3 store have to hear. Nothing of a body is looked at, nor copied where that
can be helped: the store is a stand-in for another machine, whose processor is not the station's.
"""

from __future__ import annotations

import argparse
import re
import socket
import ssl
import threading
from urllib.parse import parse_qs

_LENGTH = re.compile(rb"\r\ncontent-length: *(\d+)", re.IGNORECASE)
_CHUNKED = re.compile(rb"\r\ntransfer-encoding: *chunked", re.IGNORECASE)
_EXPECT = re.compile(rb"\r\nexpect: *100-continue", re.IGNORECASE)
_NAMESPACE = 'xmlns="http://s3.amazonaws.com/doc/2006-03-01/"'


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--at", default="127.0.0.1")
    parser.add_argument("certificate", nargs="*")
    args = parser.parse_args()
    context = None
    if args.certificate:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*args.certificate)
    listener = socket.create_server((args.at, 0), backlog=256)
    print(listener.getsockname()[1], flush=True)
    while True:
        client, _ = listener.accept()
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        threading.Thread(target=serve, args=(client, context), daemon=True).start()


def serve(client: socket.socket, context: ssl.SSLContext | None) -> None:
    try:
        speak(context.wrap_socket(client, server_side=True) if context else client)
    except OSError:
        client.close()


def speak(client: socket.socket) -> None:
    block = memoryview(bytearray(1 << 20))
    # What has arrived is thrown away where it lies, not copied to us (tcp(7)); TLS has to decrypt it.
    flags = 0 if isinstance(client, ssl.SSLSocket) else socket.MSG_TRUNC
    ahead = b""
    while True:
        while (end := ahead.find(b"\r\n\r\n")) < 0:
            got = client.recv_into(block[: 128 << 10])
            if not got:
                return
            ahead += block[:got]
        head, ahead = ahead[:end], ahead[end + 4 :]
        found = _LENGTH.search(head)
        left = int(found[1]) if found else 0
        chunked = _CHUNKED.search(head) is not None
        if (left or chunked) and _EXPECT.search(head):
            client.sendall(b"HTTP/1.1 100 Continue\r\n\r\n")
        left, ahead = max(0, left - len(ahead)), ahead[left:]
        while left:
            got = client.recv_into(block, min(left, len(block)), flags)
            if not got:
                return
            left -= got
        if chunked:
            ahead = past_chunks(client, block, ahead)
        client.sendall(answer(head.split(b"\r\n", 1)[0].decode()))


def past_chunks(client: socket.socket, block: memoryview, ahead: bytes) -> bytes:
    """Receive a body in chunks (RFC 9112, section 7.1); what came after it."""
    while True:
        while (end := ahead.find(b"\r\n")) < 0 or len(ahead) < end + 4:
            ahead += received(client, block[: 64 << 10])
        size = int(ahead[:end].split(b";")[0], 16)
        if not size:
            return ahead[end + 4 :]
        left, ahead = size + 2 - len(ahead[end + 2 :]), ahead[end + 2 + size + 2 :]
        while left > 0:
            left -= len(received(client, block[: min(left, len(block))], copied=False))


def received(client: socket.socket, block: memoryview, *, copied: bool = True) -> bytes | memoryview:
    got = client.recv_into(block)
    if not got:
        raise ConnectionError
    return bytes(block[:got]) if copied else block[:got]


def answer(line: str) -> bytes:
    method, target, _ = line.split(" ", 2)
    _, _, query = target.partition("?")
    asked = parse_qs(query, keep_blank_values=True)
    if method == "PUT":
        return b'HTTP/1.1 200 OK\r\netag: "sink"\r\ncontent-length: 0\r\n\r\n'
    if method == "HEAD" and "/" not in target.strip("/"):
        return b"HTTP/1.1 200 OK\r\ncontent-length: 0\r\n\r\n"
    if method == "HEAD":
        return b"HTTP/1.1 404 Not Found\r\ncontent-length: 0\r\n\r\n"
    if method == "DELETE":
        return b"HTTP/1.1 204 No Content\r\n\r\n"
    if method == "POST" and "uploads" in asked:
        return xml(
            f"<InitiateMultipartUploadResult {_NAMESPACE}><Bucket>b</Bucket><Key>k</Key>"
            "<UploadId>u1</UploadId></InitiateMultipartUploadResult>"
        )
    if method == "POST":
        return xml(
            f"<CompleteMultipartUploadResult {_NAMESPACE}><Location>l</Location><Bucket>b</Bucket>"
            "<Key>k</Key><ETag>&quot;sink-1&quot;</ETag></CompleteMultipartUploadResult>"
        )
    return xml(f"<ListResult {_NAMESPACE}><IsTruncated>false</IsTruncated></ListResult>")


def xml(body: str) -> bytes:
    return (
        f"HTTP/1.1 200 OK\r\ncontent-type: application/xml\r\ncontent-length: {len(body)}\r\n\r\n{body}"
    ).encode()


if __name__ == "__main__":
    main()
