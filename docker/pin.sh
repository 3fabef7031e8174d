#!/bin/sh
# Writes the digest that each base image has today behind its tag in docker/.env, and so
# pins it; run it again for newer ones. Needs Docker with buildx, and its registry.
set -eu
cd "$(dirname "$0")"

for name in $(sed -n 's/^\(SOFTCTL_[A-Z]*_IMAGE\)=.*/\1/p' .env); do
    image=$(sed -n "s/^$name=//p" .env)
    tag=${image%@*}
    digest=$(docker buildx imagetools inspect --format '{{.Manifest.Digest}}' "$tag")
    echo "$digest" | grep -Eqx 'sha256:[0-9a-f]{64}' \
        || { echo "expected a digest of $tag, got: $digest" >&2; exit 1; }
    sed "s|^$name=.*|$name=$tag@$digest|" .env > .env.new
    mv .env.new .env
    echo "$name=$tag@$digest"
done
