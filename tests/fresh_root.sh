#!/bin/sh
# Installs Nightloom in a fresh Debian 12 root as README.md says, verifies its units, rehearses an hour
# as the service's user, and removes it again. Takes some minutes and 2 GB under /var/tmp; as root.
# Run: tests/fresh_root.sh [MIRROR]
set -eu
cd "$(dirname "$0")/.."
mirror=${1:-http://deb.debian.org/debian}

command -v debootstrap >/dev/null || apt-get install -y -qq debootstrap
root=$(mktemp -d /var/tmp/nightloom-root.XXXXXX)
chmod 755 "$root"
leave() {
    for folder in proc dev; do umount -l "$root/$folder" 2>/dev/null || true; done
    rm -rf "$root"
}
trap leave EXIT

debootstrap --variant=minbase \
    --include=ca-certificates,git,python3,python3-venv,systemd,sysvinit-utils bookworm "$root" "$mirror" \
    >/dev/null
mount --bind /dev "$root/dev"
mount -t proc proc "$root/proc"
# The way out is the machine's.
cp /etc/resolv.conf /etc/hosts "$root/etc/"
cp /etc/ssl/certs/ca-certificates.crt "$root/etc/ssl/certs/"
[ ! -f /etc/pip.conf ] || cp /etc/pip.conf "$root/etc/"
git clone -q . "$root/root/nightloom"

in_root() { env -i PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin \
    HOME=/root LC_ALL=C.UTF-8 SSL_CERT_FILE=/etc/ssl/certs/ca-certificates.crt \
    ${HTTPS_PROXY:+HTTPS_PROXY="$HTTPS_PROXY"} ${HTTP_PROXY:+HTTP_PROXY="$HTTP_PROXY"} \
    chroot "$root" "$@"; }

there() {
    in_root find / -xdev -not -path '/root/*' -not -path '/tmp/*' -not -path '/proc/*' \
        -not -path '/run/*' -not -path '/var/cache/*' -not -path '/var/log/*' | sort
}
before=$(there)
in_root /root/nightloom/systemd/install.sh

echo "== units"
in_root systemd-analyze verify --man=no /etc/systemd/system/nightloom.service
in_root systemd-analyze security --offline=true nightloom.service | tail -1

echo "== an hour of a night, as the service's user"
in_root setpriv --reuid nightloom --regid nightloom --init-groups --no-new-privs --inh-caps=-all \
    env HOME=/var/lib/nightloom nightloom rehearse --hours 1 --json \
    --out /var/lib/nightloom/rehearsed 2>"$root/tmp/log" || { tail -5 "$root/tmp/log"; exit 1; }
in_root setpriv --reuid nightloom --regid nightloom --init-groups \
    env HOME=/var/lib/nightloom nightloom check --config /etc/nightloom

echo "== removed again"
in_root /root/nightloom/systemd/uninstall.sh
after=$(there)
left=$(printf '%s\n' "$before" "$after" "$after" | sort | uniq -c | awk '$1 == 2 { print $2 }' |
    grep -v -e '^/var/lib/nightloom' -e '^/etc/nightloom' -e '^/etc/.*-$' -e '\.pyc$' || true)
[ -z "$left" ] || { echo "left behind:"; echo "$left"; exit 1; }
echo "nothing is left but data"
