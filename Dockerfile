# lentic on Debian 12: built in one stage, run in another that holds the program and the libraries it needs.
FROM rust:1-slim-bookworm AS build
RUN apt-get update \
    && apt-get install -y --no-install-recommends libgdal-dev pkg-config gcc \
    && rm -rf /var/lib/apt/lists/*
WORKDIR /source
COPY . .
RUN cargo build --release --locked --workspace

FROM debian:bookworm-slim
RUN apt-get update \
    && apt-get install -y --no-install-recommends libgdal32 libcurl4 ca-certificates \
    && rm -rf /var/lib/apt/lists/*
COPY --from=build /source/target/release/lentic /usr/local/bin/lentic
COPY --from=build /source/configs /usr/local/share/lentic/configs
WORKDIR /study
ENTRYPOINT ["lentic"]
CMD ["--help"]
