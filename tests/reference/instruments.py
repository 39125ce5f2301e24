"""How it is recorded: noise, resolution, units, and files as loggers and scopes write them."""

import numpy as np

PRESSURE_PA = {"MPa": 1e6, "bar": 1e5, "kPa": 1e3, "psi": 6_894.757293168}
FLOW_M3_PER_S = {"mL/s": 1e-6, "L/min": 1e-3 / 60.0, "L/h": 1e-3 / 3600.0, "cm3/s": 1e-6}


def read(values, full_scale, noise, bits, generator):
    """What a channel shows of `values`: noise and resolution as a share and a division of its full scale."""
    seen = values + generator.normal(0.0, 1.0, len(values)) * noise * full_scale if noise > 0.0 else values
    if bits is None:
        return seen
    step = 2.0 * full_scale / 2**bits
    return np.round(seen / step) * step


def write(path, columns, comma=False, bom=False, crlf=False, digits=7):
    """A CSV file of `columns`, a list of (name, values)."""
    mark, end = (";" if comma else ","), ("\r\n" if crlf else "\n")

    def show(value):
        text = value if isinstance(value, str) else f"{value:.{digits}g}"
        return text.replace(".", ",") if comma and not isinstance(value, str) else text

    lines = [mark.join(name for name, _ in columns)]
    lines += [mark.join(show(value) for value in row) for row in zip(*(values for _, values in columns))]
    text = ("\ufeff" if bom else "") + end.join(lines) + end
    path.write_bytes(text.encode("utf-8"))
