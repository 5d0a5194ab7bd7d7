#!/bin/bash
# Installs bolotip in a 64-bit ARM Debian, emulated where this machine is none, and runs it there: the README's own two
# lines, the second with the fast test modules only. It tells whether the wheels fit, the kernel compiles and the numbers
# are right; it tells nothing of speed. As root, about 2 GB of disk and an hour or more of one core:
#
#   apt install debootstrap qemu-user-static binfmt-support
#   nice -n 19 tests/arm64/run.sh [FOLDER]        # default: /var/tmp/bolotip-arm64; kept, and used again the next time
#
# SUITE (default bookworm) is the Debian release; MIRROR a mirror other than debootstrap's own.
set -euo pipefail

root=$(realpath -m "${1:-/var/tmp/bolotip-arm64}")
suite=${SUITE:-bookworm}
repository=$(realpath "$(dirname "$0")/../..")
fast="test_lockin test_kernel_cache test_clock test_correct test_profile test_williams test_handbook test_record test_rig
      test_cli test_sinks test_maps test_ranks test_recorded_sources"

fail() { echo "arm64: $*" >&2; exit 2; }
[ "$(id -u)" = 0 ] || fail "is run by $(id -un), may be run by root only: debootstrap and chroot need it"
command -v debootstrap > /dev/null || fail "no debootstrap; apt install debootstrap"

if [ "${BOLOTIP_OWN_MOUNTS:-}" != yes ]; then # a mount namespace of its own: nothing stays mounted in the folder
    BOLOTIP_OWN_MOUNTS=yes exec unshare --mount --propagation private bash "$0" "$root"
fi

if [ "$(uname -m)" != aarch64 ]; then
    command -v qemu-aarch64-static > /dev/null || fail "no qemu-aarch64-static; apt install qemu-user-static binfmt-support"
    [ -e /proc/sys/fs/binfmt_misc/register ] || mount -t binfmt_misc binfmt_misc /proc/sys/fs/binfmt_misc
    [ -e /proc/sys/fs/binfmt_misc/qemu-aarch64 ] || update-binfmts --enable qemu-aarch64
    export QEMU_CPU=cortex-a72 # a common board's; the emulator's default can be many times slower
fi

if [ ! -e "$root/.made" ]; then
    packages=python3,python3-venv,git,ca-certificates,libgl1,libglib2.0-0 # as the README asks for
    debootstrap --arch=arm64 --variant=minbase --include=$packages "$suite" "$root" ${MIRROR:+"$MIRROR"}
    touch "$root/.made"
fi
mount -t proc proc "$root/proc"
mount --rbind /dev "$root/dev"
cp /etc/resolv.conf "$root/etc/resolv.conf"
cp -r /usr/local/share/ca-certificates/. "$root/usr/local/share/ca-certificates/" # of a network that has its own
chroot "$root" update-ca-certificates > /dev/null

if [ -d "$root/bolotip" ]; then # what an earlier run installed there is used again; remove the folder to start afresh
    git -C "$root/bolotip" fetch -q "$repository"
    git -C "$root/bolotip" checkout -q -f FETCH_HEAD
else
    git clone -q --no-hardlinks "$repository" "$root/bolotip"
fi

inside() { # one command in the clone, there
    chroot "$root" env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/root LANG=C.UTF-8 QEMU_CPU="${QEMU_CPU:-}" \
        OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1 PIP_CERT=/etc/ssl/certs/ca-certificates.crt PIP_DEFAULT_TIMEOUT=300 bash -euo pipefail -c "cd /bolotip && $1"
}
line() { # the README's line that makes this environment
    grep "^python3 -m venv $1 " "$repository/README.md" || fail "README.md has no line that starts with 'python3 -m venv $1'"
}

modules=$(printf 'tests/%s.py ' $fast)
tests=$(line .venv-test | sed "s| -q -n 2 --dist loadfile tests\$| --durations=10 -k 'not three_tenths' $modules|") # no time limits here
demo=$(line .venv)
inside 'uname -m; python3 --version; grep PRETTY /etc/os-release'
echo "+ $tests"
failed=
inside "$tests" || failed=" tests"
echo "+ $demo"
inside 'rm -rf bolotip-demo' # of an earlier run: the demo overwrites nothing
inside "$demo" || failed="$failed demo"
inside '.venv/bin/pip list 2> /dev/null | grep -i -E "^(numpy|numba|llvmlite|opencv-python|pyserial|tomli|matplotlib) "'
inside 'ls -l bolotip-demo/out; tail -n 2 bolotip-demo/out/records.csv'
[ -z "$failed" ] || { echo "arm64: failed:$failed" >&2; exit 1; }
echo "arm64: done"
