"""`bolotip warm-up`: compile the kernels once, after installation, so that no later start has to."""

import time


def main() -> int:
    """Says how long it took and where the compiled kernels are kept; with nowhere to keep them, the log has said so."""
    started = time.monotonic()
    from edge import decimal_kernel, wave_kernel
    from edge.lockin_kernel import cache_folder

    decimal_kernel.kernel()
    wave_kernel.kernel()
    folder = cache_folder()
    kept = f"kept in {folder}" if folder else "not kept: every start will take as long"
    print(f"kernel ready in {time.monotonic() - started:.1f} s, {kept}")
    return 0
