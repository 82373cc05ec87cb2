#!/bin/sh
# Makes a Debian package for the architecture of this machine, with nothing but Debian's own tools (dpkg-dev, binutils).
#
#   configs/package/deb.sh PROGRAM FOLDER [VERSION]
#
# PROGRAM is the built longthrow; the package is written into FOLDER and its path printed.
set -eu
umask 022
program=$1 folder=$2
cd "$(dirname "$0")/../.."
version=${3:-$(sed -n 's/^version = "\(.*\)"/\1/p' Cargo.toml | head -n 1)}
architecture=$(dpkg --print-architecture)
root=$(mktemp -d)
trap 'rm -rf "$root"' EXIT
tree=$root/tree doc=$root/tree/usr/share/doc/longthrow
put() { install -D -m 644 "$1" "$tree/$2"; }

install -D -m 755 "$program" "$tree/usr/bin/longthrow"
strip --strip-unneeded "$tree/usr/bin/longthrow"
"$program" generate --out "$root/made"
for page in "$root"/made/man/*.1; do
  put "$page" "usr/share/man/man1/${page##*/}"
  gzip -9n "$tree/usr/share/man/man1/${page##*/}"
done
put "$root/made/completions/longthrow.bash" usr/share/bash-completion/completions/longthrow
put "$root/made/completions/_longthrow" usr/share/zsh/vendor-completions/_longthrow
put "$root/made/completions/longthrow.fish" usr/share/fish/vendor_completions.d/longthrow.fish

# The units as they are in systemd/, with a package's paths and without the lines that tell how to install by hand.
for unit in longthrow.service user/longthrow.service; do
  case $unit in user/*) to=usr/lib/systemd/user ;; *) to=usr/lib/systemd/system ;; esac
  sed -e '/^#   /d' -e '/^#$/d' -e '/^# The program is expected/d' -e 's|/usr/local/bin/|/usr/bin/|; s|%h/.local/bin/|/usr/bin/|' \
    -e 's|/usr/local/share/doc/|/usr/share/doc/|' "systemd/$unit" >"$root/unit"
  put "$root/unit" "$to/longthrow.service"
done
put configs/package/longthrow.sysusers usr/lib/sysusers.d/longthrow.conf
put configs/package/longthrow.tmpfiles usr/lib/tmpfiles.d/longthrow.conf

for file in README.md LICENSE-MIT LICENSE-APACHE configs/package/copyright; do
  put "$file" "usr/share/doc/longthrow/${file##*/}"
done
(cd configs && find . -name '*.toml' ! -path './package/*') | while read -r file; do
  put "configs/$file" "usr/share/doc/longthrow/examples/$file"
done
# What is built in, with the licence of each, from the lock file that it was built from.
cargo tree --locked --offline --edges normal --prefix none --format '{p}: {l}' |
  sed -e 's| (/[^)]*)||' -e 's| (\*)$||' -e '/^longthrow /d' | sort -u >"$root/third"
put "$root/third" usr/share/doc/longthrow/THIRD-PARTY

# What the program is linked to is asked of the program. JACK's library is opened while it runs, so it is named by hand;
# without one everything but JACK works.
mkdir -p "$root/debian" "$tree/DEBIAN"
printf 'Source: longthrow\n\nPackage: longthrow\nArchitecture: any\n' >"$root/debian/control"
linked=$(cd "$root" && dpkg-shlibdeps -O tree/usr/bin/longthrow 2>/dev/null | sed -n 's/^shlibs:Depends=//p')
[ -n "$linked" ] || { echo "dpkg-shlibdeps found no library, which cannot be" >&2; exit 1; }
install -m 755 configs/package/postinst "$tree/DEBIAN/postinst"
cat >"$tree/DEBIAN/control" <<CONTROL
Package: longthrow
Version: $version
Architecture: $architecture
Maintainer: The longthrow project <longthrow@localhost>
Installed-Size: $(du -sk --exclude=DEBIAN "$tree" | cut -f1)
Depends: $linked, libjack-jackd2-0 | libjack-0.125
Recommends: pipewire-bin, pipewire-jack, wireplumber
Suggests: jackd2, liblo-tools
Section: sound
Priority: optional
Description: live mixing desk whose surface is a salvaged panel
 A daemon that turns a salvaged mixing panel (faders, knobs and buttons read by
 microcontrollers that speak MIDI or OSC) into the surface of a real-time mixing
 desk for streamed shows. The service is installed but neither enabled nor
 started, and no later version of the package stops or restarts it.
CONTROL
(cd "$tree" && find usr -type f -print0 | sort -z | xargs -0 md5sum >DEBIAN/md5sums)
[ -n "${SOURCE_DATE_EPOCH:-}" ] || SOURCE_DATE_EPOCH=$(git log -1 --format=%ct 2>/dev/null || date +%s)
export SOURCE_DATE_EPOCH
mkdir -p "$folder"
package=$folder/longthrow_${version}_$architecture.deb
dpkg-deb --root-owner-group --build "$tree" "$package" >/dev/null
echo "$package"
