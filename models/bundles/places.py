"""The place of a store of bundles, by its address: a folder, or s3://BUCKET/PREFIX."""

from pathlib import Path

from models.bundles.access import S3, Access, access_from_environment
from models.bundles.remote import RemotePlace

Store = Path | RemotePlace


def store_at(address: str | Path, access: Access | None = None) -> Store:
    """Return the store at this address. `access`: for an S3-compatible one; default: by the environment."""
    if isinstance(address, Path) or not address.startswith(S3):
        return Path(address)
    return RemotePlace(address.rstrip("/"), access or access_from_environment())
