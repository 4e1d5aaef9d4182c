"""CSV files as loggers write them, all of one made-up snap, and the profile proposed for a file."""

import tomllib

import numpy as np

from data_contracts.capture import Waveform
from data_contracts.recorder import parse_profile
from pipelines.commands.propose import proposal
from pipelines.intake.readers.recording import read_recording, sketch_recording
from pipelines.reports.paper import written_for
from pipelines.workspace.settings import DisplaySettings

ROWS = 4000
TIME = np.arange(ROWS) / 1000
AIR = np.round(1.0 + 3.4 * np.exp(-(((TIME - 2.0) / 0.15) ** 2)), 4)
LAMBDA = np.round(0.45 + 0.4 * np.sin(9.0 * TIME), 4)
SPEED = np.round(800.0 + 4000.0 * np.exp(-(((TIME - 2.2) / 0.4) ** 2)))


def table(head: str, cell: str, *, tail: str = "", decimal: str = ".", step: int = 1, encoding: str = "utf-8") -> bytes:
    """A file of the snap above: `cell` is one row, with places t, a, l, n and i."""
    rows = [
        cell.format(t=TIME[i], a=AIR[i], l=LAMBDA[i], n=SPEED[i], i=i, clock=f"10:00:{TIME[i]:06.3f}")
        for i in range(0, ROWS, step)
    ]
    text = "\n".join(rows)
    return (head + (text.replace(".", decimal) if decimal != "." else text) + "\n" + tail).encode(encoding)


def proposed(name: str, content: bytes, language: str = "en") -> tuple[str, Waveform]:
    """The proposal, and the file read through it."""
    sketch = sketch_recording(name, content)
    assert sketch is not None
    with written_for(DisplaySettings(language=language)):
        text = proposal(name, content, sketch)
    return text, read_recording(name, content, parse_profile("saved", tomllib.loads(text)))


# Name, file, channels and conditions that are found, and keys that must be proposed.
ODD: dict[str, tuple[bytes, set[str], dict[str, object]]] = {
    "plain English": (
        table("Time (s),MAF sensor (V),O2 B1S1 (V),RPM\n", "{t:.3f},{a},{l},{n:.0f}"),
        {"airflow_v", "lambda_v", "engine_rpm"},
        {},
    ),
    "German, commas, rows before, units under the header, closing text": (
        table(
            "Prüfstand;7\nFahrer;Muster\nZeit;Luftmassenmesser;Lambdasonde;Drehzahl\n[ms];[V];[mV];[U/min]\n",
            "{i};{a};{l};{n:.0f}",
            decimal=",",
            tail="\nEnde der Aufzeichnung; 4000 Werte\n",
            encoding="cp1252",
        ),
        {"airflow_v", "engine_rpm"},
        {"delimiter": ";", "decimal": ",", "encoding": "cp1252", "skip_rows": 2},
    ),
    "comments before, tabs, volts unnamed": (
        table("# a logger\n# of ours\nt\tair mass\tlambda\n", "{t:.3f}\t{a}\t{l}"),
        {"airflow_v", "lambda_v"},
        {"comment": "#", "delimiter": "\t"},
    ),
    "a header that looks like a comment": (
        table("# a logger\n#t [s],air mass [V]\n", "{t:.3f},{a}"),
        {"airflow_v"},
        {"skip_rows": 1},
    ),
    "two-byte text, millivolts unnamed": (
        table("Uhrzeit;LMM\n", "{clock};{a:.4f}", encoding="utf-16"),
        {"airflow_v"},
        {"delimiter": ";", "encoding": "utf-16"},
    ),
    "no unit of time, columns that nobody named": (
        table("n,A,B\n", "{i},{l},{a}"),
        {"airflow_v"},
        {},
    ),
    "written in turn": (
        (
            "time,mass air flow g/s,rpm\n"
            + "".join(f"{i / 50:.2f},{10 + i % 40 if i % 2 else ''},{'' if i % 2 else 800 + i}\n" for i in range(400))
        ).encode(),
        {"airflow_g_s", "engine_rpm"},
        {"empty_cell": "unchanged"},
    ),
    "coarse stamps": (
        table("time_s;MAF_V\n", "{t:.2f};{a}", step=2),
        {"airflow_v"},
        {},
    ),
    "marks amid numbers": (
        table("Time,Airflow,Coolant temp,Intake air temp\n", "{t:.3f},{a},88,21.5").replace(
            b"1.000,1.0,", b"1.000,OL,"
        ),
        {"airflow_v", "coolant_c", "intake_air_c"},
        {"missing_text": ["OL"]},
    ),
    "dates and clock times, one delimiter more than the header has": (
        (
            "Datum Zeit;Luftmasse\n"
            + "".join(
                f"02.03.2026 09:59:{58 + i // 100 if i < 200 else 59}.{i % 100:02d};{1 + i / 100:.2f};\n"
                for i in range(200)
            )
        ).encode(),
        {"airflow_v"},
        {"delimiter": ";"},
    ),
    "flow and conditions": (
        table(
            "Timestamp [ms],Air mass flow [kg/h],Lambda [-],Throttle position [%],Baro [hPa],ECT [°F]\n",
            "{i},{n},1.01,{a},1013,190",
        ),
        {"airflow_g_s", "lambda_ratio", "throttle_pct", "barometer_kpa", "coolant_c"},
        {},
    ),
}


ODD |= {
    "rows before, units, blank lines and sums": (
        table("A logger;;\nVan;7\nRate;1000;Hz\n\nTime;LMM;Lambda\ns;V;V\n\n\n", "{t};{a};{l}", tail="\nMax;4.4;0.8\n"),
        {"airflow_v", "lambda_v"},
        {"delimiter": ";", "skip_rows": 4},
    ),
    "an index beside the time, all quoted": (
        table('"Index";"Zeit";"LMM"\n', '"{i}";"{t}";"{a}"', decimal=","),
        {"airflow_v"},
        {"delimiter": ";", "decimal": ","},
    ),
    "moments": (table("timestamp,maf_g_s\n", "2026-03-02T{clock}Z,{n}"), {"airflow_g_s"}, {}),
    "counts since long ago": (
        ("timestamp,maf\n" + "".join(f"{1772442900000 + i * 9 // 10},{SPEED[i] / 40}\n" for i in range(ROWS))).encode(),
        {"airflow_g_s"},
        {},
    ),
    "seconds only": (
        ("time,Mass Air Flow (g/s)\n" + "".join(f"10:00:{i // 10:02d},{20 + i % 7}\n" for i in range(200))).encode(),
        {"airflow_g_s"},
        {},
    ),
}


ODD |= {
    "two columns of decimal commas": (
        table("Zeit;LMM\n", "{t:.3f};{a:.3f}", decimal=","),
        {"airflow_v"},
        {"delimiter": ";", "decimal": ","},
    ),
    "three columns of decimal commas": (
        table("Zeit [s];Luftmasse [V];Lambdasonde [V]\n", "{t:.3f};{a:.3f};{l:.3f}", decimal=","),
        {"airflow_v", "lambda_v"},
        {"delimiter": ";", "decimal": ","},
    ),
    "decimal commas under a line that names the delimiter": (
        table("sep=;\nZeit;LMM\n", "{t:.3f};{a:.3f}", decimal=","),
        {"airflow_v"},
        {"delimiter": ";", "decimal": ",", "skip_rows": 1},
    ),
    "a line that names the delimiter, and a header of units alone": (
        table('"sep=,"\ns,V\n', "{t:.3f},{a:.3f}"),
        {"airflow_v"},
        {"delimiter": None, "skip_rows": 1},
    ),
    "a line that names a delimiter the rows do not have": (
        table("sep=|\nZeit;LMM\n", "{t:.3f};{a:.3f}", decimal=","),
        {"airflow_v"},
        {"delimiter": ";", "skip_rows": 1},
    ),
    "decimal commas, clock times and a column of text": (
        table("Uhrzeit;LMM;Gang\n", "{clock};{a:.4f};N", decimal=","),
        {"airflow_v"},
        {"delimiter": ";", "decimal": ","},
    ),
    "conditions named by a short word and their unit": (
        table("Zeit [s];LMM [V];Ansaugluft [°C];Kühlmittel (°C)\n", "{t:.3f};{a:.3f};21,5;88,0", decimal=","),
        {"airflow_v", "intake_air_c", "coolant_c"},
        {"delimiter": ";"},
    ),
}
