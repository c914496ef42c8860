"""What fuzzing has found, mended since: inputs by target, each with what it did."""

_MAP = b"time=time,temperature=t:[degF],pressure=p:kPa:absolute,journal=note\n"

FOUND: dict[str, tuple[bytes, ...]] = {
    "bare": (
        b"1" * 16_000 + b"x",  # seven seconds: the pattern tried every way to share the digits out
        b"51e306",  # overflows on its way to canonical units
    ),
    "json": (b'{"beer": "' + b"1" * 16_000 + b'x"}',),
    "senml": (
        b'[{"n":"north:top","v":1,"u":"' + b"Cel" * 300 + b'"}]',  # the refusal repeated the whole unit
        b'[{"n":"north:top","v":1,"' + b"must" * 300 + b'_":1}]',  # and the whole label
    ),
    "serial line": (
        b"\x00" + b"\xc7" * 256 + b"\x00\n18",  # cut or not, by whether the zero byte had come already
        b"\0" * 300 + b"18.4\n",
    ),
    "journal entry": (
        "chİll 2".encode(),  # matched without regard to case, and had no meaning: raised
        "ſnooze 5".encode(),
        "pıtched".encode(),
        b"chill " + b"2" * 400,  # an infinite temperature
    ),
    "log": (b"\x00" + b"2026-03-01T06:00:00Z,north,pressure," + b"1" * 60_000 + b"x,bar\n",),  # three minutes
    "wide log": (
        b"time,t,p\n17723432000177234660500.5,1e2,\n177234e2,\n",  # a time that no calendar has
        b"time;t;p;sg\n2026-03-01T06:00:00Z;68;250;1\n",
        b"time2026-03-01T06:00:00Z,barnote\tsg\n\tnote2\t",  # a header's control characters on the terminal
    ),
    "column map": (
        _MAP
        + b"time,t,p,sg,note\n2026-03-01T06:00:00Z,68,250,1.\x00\x002,\n",  # in bulk taken, one by one refused
        _MAP + b"time,t,p,sg,note\n2026-03-01T06:00:00Z,68,250,\xff,\n",
        _MAP + b"time,t,p,sg,note\n2026-03-01T06:00:00Z,68,250," + b"x" * 66_000 + b",\n",
        _MAP + b'time;t;p\tp\tt,journal,"i\ne=ti";sg;note\n2026-03-01T06:0\n',  # a line break in a sentence
        b"t" + b"\x00" * 2000 + b"\n",
    ),
    "config text": (
        # a few lines that stand for ten thousand million values
        b"a: &a [x,x,x,x,x,x,x,x,x,x]\n"
        + b"".join(b"%c: &%c [%s]\n" % (n + 1, n + 1, b",".join([b"*%c" % n] * 10)) for n in range(97, 106)),
        b"a: 1e999\n",  # an infinite number
        b"[" * 900,  # deeper than the stack
    ),
    "environment": (
        b"VESSELS__" + b"1" * 37_242 + b"=1",  # an index of more digits than Python converts
        b"VESSELS=" + b"[" * 20_000,  # deeper than the stack
        b"VESSELS=" + b"[" * 900 + b"]" * 900,
        b"A" + b"__A" * 3000 + b"=1",
        b"DETECTORS__SILENT__AFTER_MIN=1e999",
        b'VESSELS=[{"rated_pressure_bar": 1e999, "x": NaN}]',
        b"VESSELS__\x1b[2J__NAME=1",  # a sentence that cleared the terminal
    ),
    "configuration": (b"vessels: []\n\n---\nULLAGE_VESSELS__NORTH__" + b"S" * 200 + b"__X=1",),
}
