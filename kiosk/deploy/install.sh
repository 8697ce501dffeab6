#!/bin/sh
# Puts this copy of creaseside onto a hall's PC (Debian or Ubuntu, as root, with a network once): a user of its own, the
# libraries and models, the service at every start. Run it again to put the unit back as it was. Updates: update.py.
set -eu
here=$(cd "$(dirname "$0")/../.." && pwd)
root=/opt/creaseside
state=/var/lib/creaseside
name=${1:-creaseside-first}

[ "$(id -u)" = 0 ] || { echo "asked to install; found no root; run it with sudo" >&2; exit 1; }
id creaseside >/dev/null 2>&1 || useradd --system --home-dir "$state" --shell /usr/sbin/nologin creaseside
install -d -m 755 "$root" "$root/versions" "$root/libraries"
install -d -m 700 -o creaseside -g creaseside "$state" "$state/home"
install -d -m 755 "$state/models"

if [ ! -e "$root/versions/$name" ]; then
    cp -a "$here" "$root/versions/$name"
    rm -rf "$root/versions/$name/.git" "$root/versions/$name/.venv"
    (cd "$root/versions/$name" && CREASESIDE_MODELS="$state/models" python3 kiosk/start.py --version)
    lock=$(sha256sum "$root/versions/$name/uv.lock" | cut -c 1-16)
    [ -e "$root/libraries/$lock" ] || mv "$root/versions/$name/.venv" "$root/libraries/$lock"
    rm -rf "$root/versions/$name/.venv"
    ln -s "../../libraries/$lock" "$root/versions/$name/.venv"
fi
chown -R creaseside:creaseside "$state/models"
ln -sfn "versions/$name" "$root/current"
install -m 644 "$here/kiosk/deploy/update.py" "$root/update.py"
install -m 644 "$here/kiosk/deploy/creaseside.service" /etc/systemd/system/creaseside.service
systemctl daemon-reload
systemctl enable --now creaseside
echo "creaseside runs as a service; its home is $state/home; systemctl status creaseside says how it is"
