"""What a page that is handed out may run and show: nothing but what it brings itself, named by its digest."""

from __future__ import annotations

import base64
import hashlib

__all__ = ["policy_name"]


def policy_name(text: str) -> str:
    """Name a script or a style sheet as a page's content security policy does (W3C CSP level 3, section 2.3.1).

    >>> policy_name("")
    'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='
    """
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
