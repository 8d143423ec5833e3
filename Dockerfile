# The base is pinned by its digest, since a tag can be moved; DEVELOPERS.md says how to take a newer one.
# ── what is installed, with its hashes checked; nothing of this stage but the result is kept ──
FROM python:3.11.14-slim-bookworm@sha256:65a93d69fa75478d554f4ad27c85c1e69fa184956261b4301ebaf6dbb0a3543d AS build
ENV PIP_DISABLE_PIP_VERSION_CHECK=1
WORKDIR /build
COPY requirements.lock .
# The environment has no pip of its own, so none reaches the image that serves.
RUN python -m venv --without-pip /opt/venv \
    && python -m pip --python /opt/venv/bin/python install --no-cache-dir --require-hashes \
        --only-binary :all: -r requirements.lock
COPY pyproject.toml README.md ./
COPY bookmatch ./bookmatch
COPY models ./models
COPY training ./training
COPY service ./service
RUN python -m pip --python /opt/venv/bin/python install --no-cache-dir --no-compile --no-deps \
        --no-build-isolation . \
    && python -m pip --python /opt/venv/bin/python uninstall --yes --quiet setuptools
# Hash-checked bytecode: a worker must not compile, and the files may be read-only and of any age.
WORKDIR /opt/venv/lib/python3.11/site-packages
RUN /opt/venv/bin/python -m compileall -q --invalidation-mode unchecked-hash bookmatch models training service

FROM python:3.11.14-slim-bookworm@sha256:65a93d69fa75478d554f4ad27c85c1e69fa184956261b4301ebaf6dbb0a3543d
# The runtime that LightGBM is linked against: fitting needs it, serving does not. Pango and the fonts set the
# PDF of a report. Debian's security updates replace versions, so pinning one would break the build on the day
# of the next.
# hadolint ignore=DL3008
RUN apt-get update \
    && apt-get install -y --no-install-recommends fonts-dejavu libgomp1 libpangoft2-1.0-0 \
    && rm -rf /var/lib/apt/lists/* \
    && python -m pip uninstall --yes --quiet pip setuptools wheel \
    && groupadd --system --gid 10001 bookmatch \
    && useradd --system --uid 10001 --gid bookmatch --no-create-home --home-dir /nonexistent bookmatch \
    && install -d -o bookmatch -g bookmatch /var/lib/bookmatch
COPY --from=build /opt/venv /opt/venv
WORKDIR /var/lib/bookmatch
ENV PATH=/opt/venv/bin:$PATH \
    PYTHONDONTWRITEBYTECODE=1 \
    PYTHONUNBUFFERED=1 \
    OMP_NUM_THREADS=1 \
    OPENBLAS_NUM_THREADS=1 \
    BOOKMATCH_BIND=0.0.0.0:8000 \
    BOOKMATCH_STORE=/var/lib/bookmatch/store \
    BOOKMATCH_STORE_CACHE=/var/lib/bookmatch/copies \
    BOOKMATCH_DATABASE=sqlite:////var/lib/bookmatch/bookmatch.db
# All that is written goes to /var/lib/bookmatch, /tmp and /dev/shm: the rest can be mounted read-only
# (docker run --read-only --tmpfs /tmp …).
# By number, so that an orchestrator can see that it is not root.
USER 10001:10001
VOLUME /var/lib/bookmatch
EXPOSE 8000
# Alive, not ready: a service without a model must be mended by a promotion, not by being started again.
HEALTHCHECK --interval=30s --timeout=5s --start-period=20s --retries=3 \
    CMD ["python", "-c", "import urllib.request; urllib.request.urlopen('http://127.0.0.1:8000/healthz', timeout=4)"]
STOPSIGNAL SIGTERM
ENTRYPOINT ["bookmatch"]
CMD ["serve"]
