"""Whether another site's page may talk to the app is decided here, and nobody else is asked.

Streamlit asks a service on the internet for this machine's outer address when a page of an origin
that it does not know wants to connect, and all visitors wait meanwhile, a second or two each time
where there is no such service. The origins that count are told by `--url`, see
`commands/serving.py`.
"""

from __future__ import annotations

from streamlit import net_util


def ask_nobody() -> None:
    """Let Streamlit compare origins with what it was told alone."""
    net_util.get_external_ip = lambda: None
