# What people and CI type. It needs a stable Rust and, on Debian or Ubuntu, apt as root or with sudo.

TARGET_DIR := $(or $(CARGO_TARGET_DIR),target)
ARGS ?=

# What the build links, and what only the tests talk to: real servers and independent clients.
RUN_PACKAGES := gcc libc6-dev pkg-config libasound2-dev libjack-jackd2-dev
TEST_PACKAGES := git dpkg-dev ffmpeg jackd2 libasound2-plugins socat liblo-tools \
  pipewire pipewire-jack pipewire-bin wireplumber dbus

# What the features pulseaudio and pipewire link and are tested with.
HOST_PACKAGES := libpipewire-0.3-dev libclang-dev pipewire-pulse pulseaudio-utils

# The real-time checker's runtime comes with the toolchain; asked for only where it is used.
CHECKER = $(shell rustc --print sysroot)/lib/rustlib/$(shell rustc -vV | sed -n 's/^host: //p')/lib/librustc-stable_rt.rtsan.a

# CI takes cargo's own runner, whose tests share a process and whose closing line it reads; people take nextest if it is there.
TESTS := $(if $(CI),,$(shell cargo nextest --version >/dev/null 2>&1 && echo nextest))

.NOTPARALLEL:
.PHONY: help run deb proof-deb test lint unit realtime proof hosts bench deps build-packages test-packages

help:
	@echo "make run      build the daemon and start it; make run ARGS=\"--profile FILE\" passes options on"
	@echo "make deb      a Debian package for this machine's architecture, in $(TARGET_DIR)/package"
	@echo "make test     everything that must hold before a change is taken"
	@echo "make proof    the slow proofs: long runs, real servers, optimised build"
	@echo "make proof-deb the package installed, removed and replaced in a clean Debian while it plays (root)"
	@echo "make hosts    the PulseAudio and PipeWire hosts, with their libraries"
	@echo "make bench    what a block costs"
	@echo "make deps     install the system packages that the others need"

run: build-packages
	cargo build --release --locked
	@exec "$(TARGET_DIR)/release/longthrow" run $(ARGS)

# On the machine it is for, or one of the same architecture: nothing is cross-built.
deb: build-packages
	@sh -c "$$PACKAGES" packages must dpkg-dev binutils
	cargo build --release --locked
	@configs/package/deb.sh "$(abspath $(TARGET_DIR))/release/longthrow" "$(abspath $(TARGET_DIR))/package"

test: lint unit realtime

lint: build-packages
	cargo fmt --check
	cargo clippy --locked --all-targets -- -D warnings
	cargo clippy --locked --all-targets --features realtime-check -- -D warnings
	RUSTDOCFLAGS="-D warnings" cargo doc --locked --no-deps

unit: build-packages test-packages
ifeq ($(TESTS),nextest)
	cargo nextest run --locked --no-fail-fast
	cargo test --locked --doc
else
	cargo test --locked --no-fail-fast
endif

# The checker stops a process at the first call that takes memory or may wait inside `process`.
realtime: build-packages
	@if [ -f "$(CHECKER)" ]; then \
	  echo "RTSAN_ENABLE=1 RTSAN_LIB_PATH=$(CHECKER) cargo test --features realtime-check --test realtime_check"; \
	  RTSAN_ENABLE=1 RTSAN_LIB_PATH="$(CHECKER)" cargo test --locked --features realtime-check --test realtime_check; \
	else \
	  echo "This toolchain comes without the real-time checker ($(CHECKER));"; \
	  echo "the one that rustup installs has it. The real-time check did not run."; \
	  [ -z "$(CI)" ]; \
	fi

# A package in a clean Debian of its own, installed, removed, installed again and replaced while it plays. As root.
proof-deb: build-packages test-packages
	@sh -c "$$PACKAGES" packages must mmdebstrap dpkg-dev binutils
	[ -d "$(TARGET_DIR)/debian/usr" ] || mmdebstrap --variant=minbase --include=systemd,procps,dbus,liblo-tools \
	  "$$(. /etc/os-release; echo $$VERSION_CODENAME)" "$(TARGET_DIR)/debian"
	LONGTHROW_PROOF=1 DEBIAN_TREE="$(abspath $(TARGET_DIR))/debian" \
	  cargo test --locked --release --test package -- --nocapture

proof: build-packages test-packages
	LONGTHROW_PROOF=1 cargo test --locked --release --no-fail-fast -- --nocapture --test-threads 1

# The other hosts of cpal, each with a tone through a real server; their libraries are not needed otherwise.
hosts: build-packages test-packages
	@sh -c "$$PACKAGES" packages must $(HOST_PACKAGES)
	cargo test --locked --features pulseaudio,pipewire --test feature_hosts -- --nocapture

bench: build-packages
	cargo bench --locked

deps: build-packages test-packages

build-packages:
	@command -v cargo >/dev/null || { echo "Rust is missing: https://rustup.rs installs it."; exit 1; }
	@sh -c "$$PACKAGES" packages must $(RUN_PACKAGES)

test-packages:
	@sh -c "$$PACKAGES" packages may $(TEST_PACKAGES)

# sh -c "$$PACKAGES" packages must|may NAME...
# Says which packages are missing and how to install them. Installs them when CI is set or a person says yes; otherwise
# it stops where they must be there, and goes on where they may be missing (the tests that need them say that they skip).
define PACKAGES
need=$$1; shift; missing=
command -v dpkg-query >/dev/null || {
  echo "Not a Debian system, so nothing is looked up. Needed under whatever name: $$*"; exit 0; }
for name; do
  dpkg-query -W -f '$${Status}' "$$name" 2>/dev/null | grep -q ' installed$$' || missing="$$missing $$name"
done
[ -n "$$missing" ] || exit 0
root=; [ "$$(id -u)" = 0 ] || root="sudo "
echo "Missing system packages:$$missing"
echo "  $${root}apt-get install -y --no-install-recommends$$missing"
refuse() { echo "$$1"; [ $$need = may ] || exit 1; echo "Tests that need them will be skipped."; exit 0; }
if [ -n "$$root" ] && ! command -v sudo >/dev/null; then refuse "Run that as root."; fi
if [ -z "$$CI" ]; then
  [ -t 0 ] || refuse "Run that, or set CI=1 to have it done here."
  printf 'Install them now? [y/N] '; read -r answer
  case $$answer in [yY]*) ;; *) refuse "Not installed." ;; esac
fi
$${root}apt-get update -q
$${root}env DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends$$missing
endef
export PACKAGES
