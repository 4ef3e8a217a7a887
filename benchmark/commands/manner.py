"""In which manner the app is served, and when it must not be."""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from urllib.parse import urlsplit

from benchmark.errors import BadQuestion, NoStore

HOST = "127.0.0.1"
LOCAL_HOSTS = [HOST, "localhost", "::1"]


@dataclass(frozen=True, slots=True)
class Manner:
    """How the app is served.

    `served` is empty on a laptop, else one of `benchmark.store.served`. `address` is where it
    listens, `url` what people type where a proxy stands before it, `provider` the file of an
    OpenID Connect provider.
    """

    served: str = ""
    address: str = HOST
    url: str = ""
    provider: Path | None = None

    def environment(self) -> dict[str, str]:
        """Give what the app's process is told by its environment."""
        from benchmark.show.serving import PUBLIC_URL
        from benchmark.store.served import SERVED

        return {SERVED: self.served, PUBLIC_URL: self.url}

    def shown(self, port: int) -> str:
        """Give the address to tell people."""
        host = f"[{self.address}]" if ":" in self.address else self.address
        return self.url or f"http://{host}:{port}"


LAPTOP = Manner()


def is_local(address: str) -> bool:
    """Tell whether only this machine reaches an address."""
    try:
        return ip_address(address).is_loopback
    except ValueError:
        return address == "localhost"


def manner(
    db: Path,
    *,
    club: bool = False,
    read_only: bool = False,
    address: str = HOST,
    url: str = "",
    provider: Path | None = None,
) -> Manner:
    """Decide how the app is served, and refuse what would let strangers change the store.

    A store in which people have roles is served with sign-in even where nobody asked for it.

    Raises
    ------
    BadQuestion
        It would be reached from other machines with write access and without sign-in; or the
        options contradict each other; or the provider's file will not do.
    """
    from benchmark.store.served import CLUB, READ_ONLY

    if club and read_only:
        raise BadQuestion("`--club` lets people sign in, `--read-only` lets nobody: choose one")
    url = url.rstrip("/")
    _check_url(url)
    roles = _owners(db)  # opened here, an older store is brought up to date before it is served
    if read_only:
        return Manner(READ_ONLY, address, url)
    if not (club or roles is not None):
        if not is_local(address) or url:
            raise BadQuestion(
                f"{address}: other machines would reach an app that lets anybody change the store; "
                "add `--club` (people sign in) or `--read-only` (nobody changes anything)"
            )
        if provider is not None:
            raise BadQuestion("`--provider` is for a club: add `--club`")
        return Manner("", address)
    _refuse_without_sign_in(db, roles or [], provider)
    return Manner(CLUB, address, url, provider)


def _refuse_without_sign_in(db: Path, owners: list[str], provider: Path | None) -> None:
    """Refuse to serve a club in which no owner could sign in."""
    from benchmark.show.provider import providers
    from benchmark.store.accounts import Accounts

    if provider is not None:
        providers(provider)
    if not owners:
        raise BadQuestion(
            f"no owner is named in {db}: name one with "
            f"`benchmark people add NAME --role owner --db {db}`, or serve it with `--read-only`"
        )
    accounts = Accounts(db)
    if any(accounts.has(name) for name in owners):
        return
    if provider is None:
        raise BadQuestion(
            f"no owner of {db} has a password: set one with "
            f'`benchmark people password "{owners[0]}" --db {db}`, or name a provider with '
            "`--provider FILE`, or serve it with `--read-only`"
        )
    if not any("@" in name for name in owners):
        raise BadQuestion(
            "no owner can sign in: a provider vouches for e-mail addresses, and no owner of "
            f"{db} is named by one; `benchmark people add ADDRESS --role owner`"
        )


def _owners(db: Path) -> list[str] | None:
    """Give the owners of a store; None where nobody has a role, or there is no store yet."""
    from benchmark.store.people import people
    from benchmark.store.roles import Role
    from benchmark.store.store import Store

    try:
        with Store.open(db) as store:
            known = people(store)
    except NoStore:
        return None
    return [person.name for person in known if person.role is Role.OWNER] if known else None


def _check_url(url: str) -> None:
    parts = urlsplit(url)
    if url and (parts.scheme not in ("http", "https") or not parts.hostname or parts.path):
        raise BadQuestion(f'url "{url}": write it as in https://laps.example, with no path')
