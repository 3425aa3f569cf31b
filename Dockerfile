# docker build -t shipsvc . && docker run -p 8000:8000 -v shipsvc-data:/data shipsvc
# Both stages start from one image: an environment finds its Python by path.
FROM python:3.11-slim AS build
ENV PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_NO_CACHE_DIR=1
WORKDIR /build
COPY pins.txt pins-build.txt ./
RUN python -m venv /opt/shipsvc \
 && /opt/shipsvc/bin/pip install --require-hashes --only-binary :all: -r pins.txt
RUN python -m venv tools && tools/bin/pip install --require-hashes --only-binary :all: -r pins-build.txt
COPY . .
RUN tools/bin/pip wheel --no-deps --no-build-isolation --wheel-dir dist . \
 && /opt/shipsvc/bin/pip install --no-deps --no-index dist/shipsvc-*.whl \
 && /opt/shipsvc/bin/pip uninstall --yes pip

FROM python:3.11-slim
RUN useradd --uid 10001 --user-group --no-create-home --shell /usr/sbin/nologin shipsvc \
 && install --directory --owner shipsvc --group shipsvc --mode 0700 /data
COPY --from=build /opt/shipsvc /opt/shipsvc
# Four slashes: an absolute path.
ENV PATH=/opt/shipsvc/bin:$PATH \
    PYTHONUNBUFFERED=1 \
    SHIPSVC_DATABASE_URL=sqlite:////data/shipsvc.sqlite3
USER shipsvc
WORKDIR /data
VOLUME /data
EXPOSE 8000
HEALTHCHECK --interval=30s --timeout=5s --start-period=20s --retries=3 \
  CMD ["python", "-c", "import urllib.request; urllib.request.urlopen('http://127.0.0.1:8000/healthz', timeout=4).close()"]
CMD ["shipsvc", "serve", "--host", "0.0.0.0"]
