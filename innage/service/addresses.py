"""Addresses of this machine."""

from __future__ import annotations

from ipaddress import ip_address

HOST, PORT = "127.0.0.1", 8470  # where a store is served, unless somebody says otherwise


def is_loopback(host: str) -> bool:
    """Whether an address is reached from this machine alone; of names 'localhost' is."""
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost"
