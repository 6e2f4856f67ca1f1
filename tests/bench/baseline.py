"""A raw log to a Parquet file of samples, the way it would be written in an hour with pandas: what `tests/benchmark` compares with.

    python baseline.py RAW.log OUT.parquet

It checks the CRC of every line, reads samples by the channel table in force, converts them and writes them. It does less than
Nightclamp: no record time, no waiting for a table that comes late, no events, no cycles, no hashes. Readings that are letters
become nulls with the letter beside them.
"""

import binascii
import io
import sys

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

CHUNK_LINES = 500_000
FAULTS = ["x", "o", "s", "r"]

# Type K, ITS-90: NIST Standard Reference Database 60 (NIST Monograph 175); mV and degrees Celsius, lowest power first.
K_BELOW = [0.0, 0.039450128025, 2.3622373598e-05, -3.2858906784e-07, -4.9904828777e-09, -6.7509059173e-11, -5.7410327428e-13,
           -3.1088872894e-15, -1.0451609365e-17, -1.9889266878e-20, -1.6322697486e-23]
K_ABOVE = [-0.017600413686, 0.038921204975, 1.8558770032e-05, -9.9457592874e-08, 3.1840945719e-10, -5.6072844889e-13,
           5.6075059059e-16, -3.2020720003e-19, 9.7151147152e-23, -1.2104721275e-26]
K_BUMP = (0.1185976, -0.0001183432, 126.9686)
K_INVERSE_BELOW = [0.0, 25.173462, -1.1662878, -1.0833638, -0.8977354, -0.37342377, -0.086632643, -0.010450598, -0.00051920577]
K_INVERSE = [0.0, 25.08355, 0.07860106, -0.2503131, 0.0831527, -0.01228034, 0.0009804036, -4.41303e-05, 1.057734e-06,
             -1.052755e-08]  # 0 to 20.644 mV: 500 degrees, more than the case of a protector sees


def k_mv(t_c):
    a0, a1, a2 = K_BUMP
    above = np.polynomial.polynomial.polyval(t_c, K_ABOVE) + a0 * np.exp(a1 * (t_c - a2) ** 2)
    return np.where(t_c < 0, np.polynomial.polynomial.polyval(t_c, K_BELOW), above)


def k_c(mv):
    polyval = np.polynomial.polynomial.polyval
    return np.where(mv < 0, polyval(mv, K_INVERSE_BELOW), polyval(mv, K_INVERSE))


def columns(stamps, samples, boot, channels):
    """A block of samples that share a channel table, as a table."""
    names = ["seq", "board_ms"] + [place for _, place, _, _ in channels]
    text = io.BytesIO(b"\n".join(samples))
    read = pd.read_csv(text, sep=" ", names=names, header=None, engine="c", na_filter=False, low_memory=False)
    out = {
        "arrival": pa.array(stamps, pa.int64()).cast(pa.timestamp("us", "UTC")),
        "boot": pa.array(np.full(len(samples), boot, np.uint32)),
        "seq": pa.array(read["seq"].to_numpy(np.uint16)),
        "board_ms": pa.array(read["board_ms"].to_numpy(np.uint64)),
    }
    numbers, faults = {}, {}
    for _, place, _, _ in channels:
        column = read[place]
        if column.dtype.kind == "i":
            numbers[place], faults[place] = column, pa.nulls(len(column), pa.string())
        else:  # a letter somewhere in it
            numbers[place] = pd.to_numeric(column, errors="coerce")
            faults[place] = pa.array(column.where(column.isin(FAULTS), None), pa.string())
    scaled = {place: numbers[place].to_numpy(float) / 10.0**-exp for _, place, exp, _ in channels}
    for quantity, place, _, sensor in channels:
        value = scaled[place]
        if quantity == "emf":
            if sensor != "tc-K":
                raise SystemExit(f"{place}: sensor {sensor} is not supported")
            value = k_c(value * 1e3 + k_mv(scaled["cold-junction"]))
        elif quantity == "resistance":
            raise SystemExit(f"{place}: resistance is not supported")
        name = place.replace("-", "_")
        out[name] = pa.array(value, from_pandas=True)
        out[f"{name}_raw"] = pa.array(numbers[place], pa.int32(), from_pandas=True, safe=False)
        out[f"{name}_fault"] = faults[place]
    return pa.table(out)


class Writer:
    def __init__(self, path):
        self.path, self.file, self.rows = path, None, 0
        self.stamps, self.samples = [], []

    def flush(self, boot, channels):
        if self.samples and channels:
            table = columns(self.stamps, self.samples, boot, channels)
            if self.file is None:
                self.file = pq.ParquetWriter(self.path, table.schema, compression="zstd")
            self.file.write_table(table)
            self.rows += len(self.samples)
        self.stamps, self.samples = [], []


def convert(raw, out):
    writer, lines, bad = Writer(out), 0, 0
    boot, wanted, gathering, channels = None, 0, {}, []
    with open(raw, "rb") as log:
        for line in log:
            lines += 1
            if not line.startswith(b"@"):
                continue
            stamp, _, said = line.rstrip(b"\r\n").partition(b" ")
            body, tilde, crc = said.rpartition(b"~")
            try:
                if not tilde or binascii.crc_hqx(body, 0) != int(crc, 16):
                    raise ValueError
            except ValueError:
                bad += 1
                continue
            if body.startswith(b"S "):
                if body.count(b" ") != 2 + len(channels):
                    bad += 1
                    continue
                writer.stamps.append(int(stamp[1:]))
                writer.samples.append(body[2:])
                if len(writer.samples) >= CHUNK_LINES:
                    writer.flush(boot, channels)
            elif body.startswith(b"H "):
                fields = body.decode().split()
                if int(fields[3]) != boot:
                    writer.flush(boot, channels)
                boot, wanted, gathering = int(fields[3]), int(fields[4]), {}
            elif body.startswith(b"C "):
                _, index, quantity, _, exp, place, sensor = body.decode().split()[:7]
                gathering[int(index)] = (quantity, place, int(exp), sensor)
                if len(gathering) == wanted:
                    new = [gathering[index] for index in range(wanted)]
                    if new != channels:
                        writer.flush(boot, channels)
                        channels = new
    writer.flush(boot, channels)
    if writer.file:
        writer.file.close()
    return lines, writer.rows, bad


if __name__ == "__main__":
    if len(sys.argv) != 3:
        raise SystemExit(__doc__)
    print("{} lines, {} samples, {} refused".format(*convert(sys.argv[1], sys.argv[2])))
