# Sourced, never run: which toolchain builds for a bare-metal target, in one place for everything that needs one.
#
#   bare_metal_cargo TARGET COMMAND...    e.g. bare_metal_cargo thumbv7m-none-eabi build --release
#   bare_metal_clippy TARGET ARGS...      the same toolchain's clippy
#   bare_metal_qemu                       makes sure that qemu-system-arm is there
#
# Two ways, the first that fits is taken:
#   rustup   the toolchain in use has the target (`rustup target add TARGET`): the way for everyone.
#   debian   Debian's rustc-web, cargo-web and rust-web-src build `core` themselves. For machines where rustup has no
#            such target to give. Missing packages are installed, but only on Debian and only as root.
#
# SEATHOLD_BARE_METAL=rustup or =debian takes the choice away.

BARE_METAL_TARGETS=(thumbv6m-none-eabi thumbv7m-none-eabi thumbv7em-none-eabihf)

_bare_metal_say() { printf 'bare-metal: %s\n' "$*" >&2; }

# Whether the rustc on the path has a compiled `core` for the target.
_bare_metal_has_target() {
    local libdir
    libdir=$(rustc --print target-libdir --target "$1" 2>/dev/null) || return 1
    compgen -G "$libdir/libcore-*.rlib" >/dev/null
}

_bare_metal_has_debian() {
    [ -x /usr/bin/rustc ] && [ -x /usr/bin/cargo ] &&
        [ -d "$(/usr/bin/rustc --print sysroot)/lib/rustlib/src/rust/library/core" ]
}

# Installs Debian packages, or says what a person has to do. Usage: _bare_metal_apt WHAT-FOR PACKAGE...
_bare_metal_apt() {
    local what=$1
    shift
    if [ ! -f /etc/debian_version ] || ! command -v apt-get >/dev/null; then
        _bare_metal_say "$what is missing, and this is not Debian: install it by your system's own means"
        return 1
    fi
    if [ "$(id -u)" -ne 0 ]; then
        _bare_metal_say "$what is missing: as root, apt-get install $*"
        return 1
    fi
    _bare_metal_say "installing $* for $what"
    apt-get update -q >&2 && DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends "$@" >&2
}

# The linker is LLVM's: rustup ships it as rust-lld; without rustup, Debian's lld.
_bare_metal_linker() {
    local rustup_bin
    for rustup_bin in "$(rustc --print sysroot 2>/dev/null)"/lib/rustlib/*/bin; do
        if [ -x "$rustup_bin/rust-lld" ]; then
            printf '%s\n' "$rustup_bin/rust-lld"
            return
        fi
    done
    command -v ld.lld >/dev/null || _bare_metal_apt "a linker for bare metal" lld || return 1
    command -v ld.lld
}

# Sets BARE_METAL_WAY for a target, installing what may be installed.
bare_metal_choose() {
    local target=$1
    BARE_METAL_WAY=${SEATHOLD_BARE_METAL:-}
    if [ -z "$BARE_METAL_WAY" ]; then
        if _bare_metal_has_target "$target"; then BARE_METAL_WAY=rustup; else BARE_METAL_WAY=debian; fi
    fi
    case $BARE_METAL_WAY in
    rustup)
        _bare_metal_has_target "$target" ||
            { _bare_metal_say "the toolchain in use has no $target: rustup target add $target"; return 1; }
        ;;
    debian)
        _bare_metal_has_debian || _bare_metal_apt "a compiler for $target" rustc-web cargo-web rust-web-src ||
            { _bare_metal_say "or, anywhere: rustup target add $target"; return 1; }
        ;;
    *)
        _bare_metal_say "SEATHOLD_BARE_METAL is '$BARE_METAL_WAY'; it may be rustup or debian"
        return 1
        ;;
    esac
}

# Cargo for a bare-metal target. Usage: bare_metal_cargo TARGET COMMAND [ARGS...]
bare_metal_cargo() {
    local target=$1 command=$2 linker upper
    shift 2
    bare_metal_choose "$target" || return 1
    if [ "$BARE_METAL_WAY" = rustup ]; then
        cargo "$command" --target "$target" "$@"
        return
    fi
    linker=$(_bare_metal_linker) || return 1
    upper=$(printf '%s' "$target" | tr 'a-z-' 'A-Z_')
    # RUSTC_BOOTSTRAP: building `core` is not yet a stable option of cargo. A rustup toolchain pinned by a
    # rust-toolchain file must not get in the way, so both programs are named by their full path.
    env -u RUSTUP_TOOLCHAIN -u RUSTC_WRAPPER PATH="/usr/bin:$PATH" RUSTC=/usr/bin/rustc RUSTC_BOOTSTRAP=1 \
        "CARGO_TARGET_${upper}_LINKER=$linker" \
        /usr/bin/cargo "$command" -Zbuild-std=core --target "$target" "$@"
}

# Clippy for a bare-metal target. Usage: bare_metal_clippy TARGET [ARGS...]
bare_metal_clippy() {
    bare_metal_choose "$1" || return 1
    if [ "$BARE_METAL_WAY" = debian ]; then
        [ -x /usr/bin/clippy-driver ] || _bare_metal_apt "clippy for $1" rust-web-clippy || return 1
    fi
    local target=$1
    shift
    bare_metal_cargo "$target" clippy "$@"
}

# The emulator.
bare_metal_qemu() {
    command -v qemu-system-arm >/dev/null || _bare_metal_apt "the emulator" qemu-system-arm
}
