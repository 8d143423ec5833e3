"""See to the Debian packages that the named needs ask for: install what is missing where that is allowed.

Called by the Makefile before there is an environment, with whatever Python the machine has: standard library
only, and syntax that an older Python can read, so that it can say what is wrong.
"""

import ctypes
import os
import shutil
import subprocess
import sys

LEAST_PYTHON = (3, 11)


def has_venv():
    """Debian leaves out of its Python what `python -m venv` needs to put pip into an environment."""
    try:
        import ensurepip  # noqa: F401
        import venv  # noqa: F401
    except ImportError:
        return False
    return True


def has_library(name):
    """Say whether the dynamic linker finds a shared library."""
    try:
        ctypes.CDLL(name)
    except OSError:
        return False
    return True


def has_openmp():
    """LightGBM's library is linked against the compiler's OpenMP runtime."""
    return has_library("libgomp.so.1")


def has_pango():
    """The PDF of a report is set by WeasyPrint, which loads these two."""
    return has_library("libpango-1.0.so.0") and has_library("libpangoft2-1.0.so.0")


def has_fonts():
    """The report is set in these: other fonts would give other pages, and none would give no letters."""
    return os.path.exists("/usr/share/fonts/truetype/dejavu/DejaVuSerif-Italic.ttf")


def has_atomic():
    """The program through which tests drive the browser is linked against the compiler's atomics."""
    return has_library("libatomic.so.1")


def has_chromium():
    """The browser that tests look at the pages with."""
    return shutil.which("chromium") is not None


def has_nginx():
    """The proxy that tests put before the service; Debian keeps it out of an ordinary user's path."""
    return shutil.which("nginx", path=os.environ.get("PATH", "") + ":/usr/sbin") is not None


def has_redis():
    """The counts of requests that servers share, in tests."""
    return shutil.which("redis-server") is not None


NEEDS = {
    "venv": (has_venv, f"python3.{sys.version_info[1]}-venv"),
    "openmp": (has_openmp, "libgomp1"),
    "pdf": (has_pango, "libpangoft2-1.0-0"),
    "fonts": (has_fonts, "fonts-dejavu"),
    "driver": (has_atomic, "libatomic1"),
    "browser": (has_chromium, "chromium"),
    "proxy": (has_nginx, "nginx"),
    "counts": (has_redis, "redis-server"),
}


def main(names):
    """Exit with 0 when every need is met, now or already, and with 1 and one message otherwise."""
    if sys.version_info < LEAST_PYTHON:
        least = ".".join(map(str, LEAST_PYTHON))
        found = ".".join(map(str, sys.version_info[:3]))
        sys.exit(
            "Bookmatch needs Python {} or later, and {} is {}. Name another one, "
            "as in: make {} PYTHON=python{}".format(
                least, sys.executable, found, os.environ.get("MAKECMDGOALS", ""), least
            )
        )
    missing = [NEEDS[name][1] for name in names if not NEEDS[name][0]()]
    if missing:
        install(missing)
        left = [NEEDS[name][1] for name in names if not NEEDS[name][0]()]
        if left:
            sys.exit("{} was installed and is still not found by {}".format(" ".join(left), sys.executable))


def install(packages):
    """Install Debian packages, or say which are missing and how to install them."""
    wanted = " ".join(packages)
    if shutil.which("apt-get") is None:
        sys.exit(f"Missing on this machine, and there is no apt-get to install it with: {wanted}")
    if os.geteuid() != 0:
        sys.exit(
            f"Missing on this machine, and only root may install it: {wanted}. "
            f"Run: sudo apt-get update && sudo apt-get install -y {wanted}"
        )
    sys.stderr.write(f"Installing with apt: {wanted}\n")
    quiet = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    for step in (["update", "-qq"], ["install", "-y", "-qq", "--no-install-recommends", *packages]):
        done = subprocess.run(["apt-get", *step], env=quiet, stdout=subprocess.DEVNULL, check=False)
        if done.returncode:
            sys.exit(f"apt-get {step[0]} failed; {wanted} is still missing")


if __name__ == "__main__":
    main(sys.argv[1:])
