"""Open an S3-compatible store by its address, s3://BUCKET/PREFIX. Its library is imported only then."""

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from obstore.store import S3Store

S3 = "s3://"
_SETTING = "BOOKMATCH_"


@dataclass(frozen=True)
class Access:
    """The way to such a store, and the folder of copies of price models (empty: one below TMPDIR).

    The names are those of the service's settings (`service.settings`), which the commands read too.
    """

    files_endpoint: str = ""
    files_region: str = "us-east-1"
    files_key_id: str = ""
    files_key_secret: str = field(default="", repr=False)
    store_cache: str = ""


def access_from_environment(environment: Mapping[str, str] | None = None) -> Access:
    """Read the settings of such a store. Raises OSError for a file of the secret that cannot be read."""
    env = os.environ if environment is None else environment
    found = {
        name: env[_SETTING + name.upper()]
        for name in Access.__annotations__
        if _SETTING + name.upper() in env
    }
    secret_file = env.get("BOOKMATCH_FILES_KEY_SECRET_FILE")
    if secret_file:
        found["files_key_secret"] = Path(secret_file).read_text(encoding="utf-8")
    return Access(**{name: text.strip() for name, text in found.items()})


def open_s3(address: str, access: Access, seconds: float) -> "S3Store":
    """Open the store at this address. `seconds`: the time that it has for one answer."""
    from obstore.store import S3Store

    bucket, _, prefix = address.removeprefix(S3).partition("/")
    waited = timedelta(seconds=seconds)
    options: dict[str, Any] = {"endpoint": access.files_endpoint} if access.files_endpoint else {}
    if access.files_key_id:
        options["access_key_id"] = access.files_key_id
        options["secret_access_key"] = access.files_key_secret
    return S3Store(
        bucket,
        prefix=prefix or None,
        region=access.files_region,
        client_options={"allow_http": access.files_endpoint.startswith("http://"), "timeout": waited},
        retry_config={"max_retries": 2, "retry_timeout": waited},
        **options,
    )
