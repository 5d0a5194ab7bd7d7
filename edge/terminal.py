"""A fix in one line for a terminal or a log."""

from edge.record import Row


def one_line(row: Row) -> str:
    """Number, running time, cycles, then what was measured; "-" for what could not be determined; flags last."""

    def text(value: float | None, form: str) -> str:
        return form.format(value) if value is not None else "-"

    return (
        f"{row.seq:5d} {row.elapsed_s or 0:9.1f} s {row.cycles or 0:9d} cycles  a "
        f"{text(row.crack_mm, '{:.3f}')} ± {text(row.crack_sd_mm, '{:.3f}')} mm  dK {text(row.dKI_MPa_sqrt_m, '{:.2f}')} ± "
        f"{text(row.dKI_sd, '{:.2f}')} MPa√m  contact {text(row.contact_length_mm, '{:.2f}')} mm  da/dN "
        f"{text(row.rate_mm_per_cycle, '{:.1e}')}  {' '.join(row.flags)}"
    )
