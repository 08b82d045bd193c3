"""Encrypted messages that standards publish to be checked against."""

from __future__ import annotations


def _armoured(kind: str, *lines: str) -> bytes:
    gap = [""] if kind == "PGP MESSAGE" else []
    return "\n".join([f"-----BEGIN {kind}-----", *gap, *lines, f"-----END {kind}-----", ""]).encode()


RFC_9580 = {
    "A.8, to X25519, OCB": _armoured(
        "PGP MESSAGE",
        "wV0GIQYSyD8ecG9jCP4VGkF3Q6HwM3kOk+mXhIjR2zeNqZMIhRmHzxjV8bU/gXzO",
        "WgBM85PMiVi93AZfJfhK9QmxfdNnZBjeo1VDeVZheQHgaVf7yopqR6W1FT6NOrfS",
        "aQIHAgZhZBZTW+CwcW1g4FKlbExAf56zaw76/prQoN+bAzxpohup69LA7JW/Vp0l",
        "yZnuSj3hcFj0DfqLTGgr4/u717J+sPWbtQBfgMfG9AOIwwrUBqsFE9zW+f1zdlYo",
        "bhF30A+IitsxxA==",
    ),
    "A.9, EAX": _armoured(
        "PGP MESSAGE",
        "w0AGHgcBCwMIpa5XnR/F2Cv/aSJPkZmTs1Bvo7WaanPP+MXvxfQcV/tU4cImgV14",
        "KPX5LEVOtl6+AKtZhsaObnxV0mkCBwEGn/kOOzIZZPOkKRPI3MZhkyUBUifvt+rq",
        "pJ8EwuZ0F11KPSJu1q/LnKmsEiwUcOEcY9TAqyQcapOK1Iv5mlqZuQu6gyXeYQR1",
        "QCWKt5Wala0FHdqW6xVDHf719eIlXKeCYVRuM5o=",
    ),
    "A.10, OCB": _armoured(
        "PGP MESSAGE",
        "wz8GHQcCCwMIVqKY0vXjZFP/z8xcEWZO2520JZDX3EawckG2EsOBLP/76gDyNHsl",
        "ZBEj+IeuYNT9YU4IN9gZ02zSaQIHAgYgpmH3MfyaMDK1YjMmAn46XY21dI6+/wsM",
        "WRDQns3WQf+f04VidYA1vEl1TOG/P/+n2tCjuBBPUTPPQqQQCoPu9MobSAGohGv0",
        "K82nyM6dZeIS8wHLzZj9yt5pSod61CRzI/boVw==",
    ),
    "A.11, GCM": _armoured(
        "PGP MESSAGE",
        "wzwGGgcDCwMI6dOXhbIHAAj/tC58SD70iERXyzcmubPbn/d25fTZpAlS4kRymIUa",
        "v/91Jt8t1VRBdXmneZ/SaQIHAwb8uUSQvLmLvcnRBsYJAmaUD3LontwhtVlrFXax",
        "Ae0Pn/xvxtZbv9JNzQeQlm5tHoWjAFN4TLHYtqBpnvEhVaeyrWJYUxtXZR/Xd3kS",
        "+pXjXZtAIW9ppMJI2yj/QzHxYykHOZ5v+Q==",
    ),
    "A.12.1, Argon2, AES-128": _armoured(
        "PGP MESSAGE",
        "wycEBwScUvg8J/leUNU1RA7N/zE2AQQVnlL8rSLPP5VlQsunlO+ECxHSPgGYGKY+",
        "YJz4u6F+DDlDBOr5NRQXt/KJIf4m4mOlKyC/uqLbpnLJZMnTq3o79GxBTdIdOzhH",
        "XfA3pqV4mTzF",
    ),
    "A.12.2, Argon2, AES-192": _armoured(
        "PGP MESSAGE",
        "wy8ECAThTKxHFTRZGKli3KNH4UP4AQQVhzLJ2va3FG8/pmpIPd/H/mdoVS5VBLLw",
        "F9I+AdJ1Sw56PRYiKZjCvHg+2bnq02s33AJJoyBexBI4QKATFRkyez2gldJldRys",
        "LVg77Mwwfgl2n/d572WciAM=",
    ),
    "A.12.3, Argon2, AES-256": _armoured(
        "PGP MESSAGE",
        "wzcECQS4eJUgIG/3mcaILEJFpmJ8AQQVnZ9l7KtagdClm9UaQ/Z6M/5roklSGpGu",
        "623YmaXezGj80j4B+Ku1sgTdJo87X1Wrup7l0wJypZls21Uwd67m9koF60eefH/K",
        "95D1usliXOEm8ayQJQmZrjf6K6v9PWwqMQ==",
    ),
}
"""RFC 9580, appendix A."""

_AGE = "AGE ENCRYPTED FILE"
_HEADER = (
    "YWdlLWVuY3J5cHRpb24ub3JnL3YxCi0+IFgyNTUxOSBURWlGMHlwcXIrYnB2Y3FY",
    "TnlDVkpwTDdPdXdQZFZ3UEw3S1FFYkZET0NjCkVtRUNBRWNLTituL1ZzOVNiV2lW",
    "K0h1MHIrRThSNzdEZFdZeWQ4M253N1UKLS0tIFZuKzU0anFpaVVDRStXWmNFVlkz",
)
_SMALL = ("ZjFzcUhqbHUvejFMQ1EvVDdYbTdxSTAK7s9ix86RtDMnTmjU8vkTTLdMW/73vqpS", "yPC8DpksHoMx+2Y=")

C2SP_AGE = {
    "armor": _armoured(_AGE, *_HEADER, *_SMALL),
    "armor_crlf": _armoured(_AGE, *_HEADER, *_SMALL).replace(b"\n", b"\r\n"),
    "armor_whitespace_outside": b"\n   \t\n" + _armoured(_AGE, *_HEADER, *_SMALL) + b"\n   \t\n",
    "armor_full_last_line": _armoured(
        _AGE,
        *_HEADER,
        "ZjFzcUhqbHUvejFMQ1EvVDdYbTdxSTAK7s9ix86RtDMnTmjU8vkTTLdMW3bj4iHS",
        "YS3WWUtZB5wJqKgEe8kpsp0iOnD2CNG4DVKBC0Z7SAcCFb8xdwV9CRavSEE7OU1c",
    ),
    "armor_no_match": _armoured(
        _AGE,
        "YWdlLWVuY3J5cHRpb24ub3JnL3YxCi0+IFgyNTUxOSBhanRxQXZERWtWTnIyQjd6",
        "VU90cTJtQVFYRFNCbE5yVkF1TS9kS2I1c1Q0CkhVS3R6MFIyajVCbDJFUjdIaEFa",
        "clVSaWtDRnBpSWpOYTBLakhjamJBR1UKLS0tIHJycFRsdktFS3JLM0VxaG9PUEpl",
        "UDFLRThPMWQyYXJyUmV6Nzdtd2VrUmMK3d9y0G+8q1ffPQ0xJJatIYzX/W+AeLv4",
        "gS3YeUcVXre9Xog=",
    ),
}
"""Files of the age test vectors of C2SP/CCTV that are sound in armour and header (0BSD)."""
