"""The README's command and what the three users go on to do with it."""

import hashlib
import json
import shutil
from pathlib import Path

import polars as pl
import pytest

from flows.workspace import open_workspace
from pipeline.store.pseudonym import pseudonym
from pipeline.store.snapshot import take_snapshot
from synthetic_data.clinic import CLINICS
from tests.end_to_end.conftest import arcgain

SYNTHETIC = Path(__file__).resolve().parents[2] / "synthetic_data"


def versions(folder):
    return {
        path.parent.name: path for path in sorted(folder.glob("published/*/*")) if path.is_dir()
    }


def cells(version):
    return json.loads((version / "data" / "results.json").read_text(encoding="utf-8"))["cells"]


def everything(folder):
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and ".prefect" not in path.parts
    }


def test_the_demo_publishes_both_reports_and_says_where(demo):
    folder, said = demo
    found = versions(folder)
    assert sorted(found) == ["hips-trial", "network"]
    for version in found.values():
        assert str(version / "index.html") in said
        assert (version / "manifest.json").is_file()
    assert (folder / "published" / "index.html").is_file()
    latest = json.loads((folder / "published" / "latest.json").read_text(encoding="utf-8"))
    assert latest == {name: version.name for name, version in found.items()}


def test_the_open_data_give_the_reference_fit(demo):
    """Rotation gain, treated - usual care, adjusted for side and pretest.

    Source: lme4 1.1-31 with lmerTest 3.1-3 on the hips data (Chatfield 1995; R package faraway 1.0.9),
    lmer(rgain ~ grp + side + rbef_c + (1 | person)); see tests/reference.
    """
    found = cells(versions(demo[0])["hips-trial"])
    primary = found["technique.rotation.gain.primary"]
    assert primary["value"] == pytest.approx(5.57895459, rel=1e-5)
    assert primary["standard_error"] == pytest.approx(1.80318933, rel=1e-5)
    assert primary["degrees_of_freedom"] == pytest.approx(36.9360217, rel=1e-4)
    assert primary["p_value"] == pytest.approx(0.00375308, rel=1e-3)
    criterion = next(
        c for name, c in found.items() if name.endswith("criterion") and "rotation" in name
    )
    assert criterion["value"] == pytest.approx(454.149534, abs=1e-3)  # six published digits


def test_the_flow_of_the_trial_counts_every_hip(demo):
    found = cells(versions(demo[0])["hips-trial"])
    assert found["flow.received"]["value"] == 312  # 39 people, two hips, two motions, twice
    assert found["flow.compared"]["value"] == 78
    assert found["flow.compared.patients"]["value"] == 39


def test_the_known_truth_is_recovered(demo):
    """Every primary contrast of the network lies within three standard errors of its truth."""
    from flows.demo import N_PATIENTS, SEED
    from synthetic_data.network import make_network

    truth = make_network(SEED, N_PATIENTS).truth
    found = cells(versions(demo[0])["network"])
    lateral = truth.technique_deg[1] - truth.technique_deg[0]
    for name, expected in {
        "technique.internal_rotation.gain.primary": lateral,
        "bias.internal_rotation.gain.primary": truth.congruent_deg,
        "grade.internal_rotation.gain.primary": truth.into_resistance_deg,
    }.items():
        cell = found[name]
        assert abs(cell["value"] - expected) < 3 * cell["standard_error"], name
        assert cell["standard_error"] < 1.0


def test_publishing_again_changes_nothing(workspace):
    before = everything(workspace / "published") | everything(workspace / "store")
    done = arcgain("publish", "--plan", "plans/network.yaml", "--json", cwd=workspace)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["versions"][0]["is_new"] is False
    after = everything(workspace / "published") | everything(workspace / "store")
    assert {k: v for k, v in before.items() if "lock" not in k} == {
        k: v for k, v in after.items() if "lock" not in k
    }


def test_the_same_inputs_give_the_same_bytes(workspace):
    first = everything(workspace / "published")
    shutil.rmtree(workspace / "published")
    done = arcgain(
        "publish", "-p", "plans/network.yaml", "-p", "plans/hips-plan.yaml", cwd=workspace,
        PYTHONHASHSEED="7", TZ="Asia/Tokyo", LC_ALL="C", POLARS_MAX_THREADS="1",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    again = everything(workspace / "published")
    reports = {name: digest for name, digest in first.items() if name.count("/") >= 2}
    assert reports == {name: digest for name, digest in again.items() if name.count("/") >= 2}


def test_a_plan_of_one_network_is_not_moved_by_other_clinics(workspace):
    """The hips report names its clinic, so a new delivery elsewhere leaves it unchanged."""
    export = workspace / "exports" / "later.csv"
    text = (workspace / "exports" / "hips.csv").read_text(encoding="utf-8")
    export.write_text(text, encoding="utf-8")
    codebook = workspace / "codebooks" / "other.yaml"
    own = (workspace / "codebooks" / "hips.yaml").read_text(encoding="utf-8")
    codebook.write_text(own.replace("clinic: bath-trial", "clinic: elsewhere"), encoding="utf-8")
    done = arcgain("ingest", export, "-c", codebook, cwd=workspace)
    assert done.returncode == 0, done.stderr
    done = arcgain("publish", "-p", "plans/hips-plan.yaml", "--json", cwd=workspace)
    assert json.loads(done.stdout)["versions"][0]["is_new"] is False


def test_the_answer_key_is_found_in_full_and_nothing_else(demo):
    from flows.demo import N_PATIENTS, SEED
    from synthetic_data.answer_key import Outcome
    from synthetic_data.network import make_network

    key = make_network(SEED, N_PATIENTS).answer_key
    snapshot = take_snapshot(open_workspace(demo[0]).store)
    columns = ["clinic", "source_record", "table", "reason"]
    found = snapshot.quarantine.filter(pl.col("clinic") != "bath-trial").select(columns).rows()
    planted = [
        (d.clinic, d.record, d.table, str(d.reason))
        for d in key.defects
        if d.outcome is Outcome.QUARANTINED
    ]

    def in_one_file(rows):  # brackwell's tests come in several files, and the key counts them on
        return sorted((c, 0 if c == "brackwell" else n, t, r) for c, n, t, r in rows)

    assert in_one_file(found) == in_one_file(planted)
    for clinic in CLINICS:
        account = snapshot.account[clinic]
        for table in ("patient", "joint_episode", "visit", "range_test", "treatment"):
            facts = [f for f in key.facts if (f.clinic, f.table) == (clinic, table)]
            own = [d for d in key.defects if (d.clinic, d.table) == (clinic, table)]
            assert account[table]["read"] == sum(f.n_read for f in facts), table
            assert account[table]["quarantined"] == sum(f.n_quarantined for f in facts), table
            superseded = sum(d.outcome is Outcome.SUPERSEDED for d in own)
            assert account[table]["superseded"] == superseded, table
        for table in ("range_test", "treatment"):  # no later export repeats one unchanged
            facts = [f for f in key.facts if (f.clinic, f.table) == (clinic, table)]
            assert account[table]["duplicate"] == sum(f.n_duplicate for f in facts), table
    assert snapshot.account["harbour"]["range_test"]["superseded"] == 5


def test_withdrawing_leaves_no_byte_of_the_patient(workspace):
    place = open_workspace(workspace)
    key = place.key()
    number = "H00010"
    secret = pseudonym(key, "patient", "harbour", number)
    done = arcgain("withdraw", "--clinic", "harbour", "--patient", number, cwd=workspace)
    assert done.returncode == 0, done.stderr
    assert secret not in done.stdout
    for path in workspace.rglob("*"):
        if (
            path.is_file() and "exports" not in path.parts
        ):  # the clinic's own files stay the clinic's
            assert secret.encode() not in path.read_bytes(), path
            if path.suffix == ".parquet":
                frame = pl.read_parquet(path)
                assert secret not in frame.write_csv(), path
    snapshot = take_snapshot(place.store)
    assert snapshot.tables["patient"].filter(pl.col("patient") == secret).is_empty()
    again = arcgain("withdraw", "--clinic", "harbour", "--patient", number, cwd=workspace)
    assert "withdrawn before" in again.stdout
    unknown = arcgain("withdraw", "--clinic", "harbour", "--patient", "H99999", cwd=workspace)
    assert unknown.returncode == 2
    assert "Remedy" in unknown.stderr


def test_a_changed_file_is_found(workspace):
    assert arcgain("verify", cwd=workspace).returncode == 0
    page = versions(workspace)["network"] / "index.html"
    page.chmod(0o644)
    page.write_bytes(page.read_bytes() + b" ")
    part = sorted(workspace.glob("store/parts/range_test/harbour/*.parquet"))[0]
    part.chmod(0o644)
    content = bytearray(part.read_bytes())
    content[len(content) // 2] ^= 1
    part.write_bytes(bytes(content))
    done = arcgain("verify", "--json", cwd=workspace)
    assert done.returncode == 1
    places = " ".join(problem["place"] for problem in json.loads(done.stdout)["problems"])
    assert "index.html" in places
    assert part.name in places


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("ingest", "absent.csv", "-c", "codebooks/hips.yaml"), "there is no such file"),
        (("check", "exports/hips.csv", "-c", "absent.yaml"), "there is no such file"),
        (("check", "exports/hips.csv", "-c", "plans/network.yaml"), "this is no codebook"),
        (("check", "exports/hips.csv", "-c", "codebooks/harbour.yaml"), "exported-on"),
        (("publish", "-p", "codebooks/hips.yaml"), "this is no plan"),
        (("list", "-w", "exports"), "this is no workspace"),
        (("check", "exports/hips.csv"), "codebook"),
        (("init", "exports"), "not empty"),
        (("demo", "exports"), "no earlier demo"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_a_mistake_is_told_without_a_traceback(demo, words, said):
    done = arcgain(*words, cwd=demo[0], COLUMNS="300")
    assert done.returncode == 2
    assert said in done.stderr + done.stdout
    assert "Traceback" not in done.stderr


def test_exports_with_identifiers_are_refused_and_nothing_is_stored(workspace, tmp_path):
    from synthetic_data.identifier_export import identifier_exports

    before = everything(workspace / "store")
    for export in identifier_exports(tmp_path / "identifiers"):
        day = f"--exported-on={export.exported_on}"
        done = arcgain("check", export.path, "-c", export.codebook_path, day, cwd=workspace)
        assert done.returncode == 2, export.path
        assert "nothing was stored" in done.stderr
    assert everything(workspace / "store") == before


def test_a_corrected_codebook_releases_what_it_can_now_read(workspace):
    """A clinic uses a code that the codebook lacks: the feedback says so, and reading again releases it."""
    codebook = workspace / "codebooks" / "harbour.yaml"
    text = codebook.read_text(encoding="utf-8")
    account = take_snapshot(open_workspace(workspace).store).account["harbour"]["range_test"]
    done = arcgain("feedback", "--clinic", "harbour", "--json", cwd=workspace)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    page = (workspace / told["page"]).read_text(encoding="utf-8")
    assert "A code that the codebook does not declare" in page
    assert told["n_facts"] >= account["quarantined"]
    typo = "IRsup9: hip_internal_rotation_supine90_passive, IRsup90:"
    corrected = text.replace("IRsup90:", typo, 1).replace("version: 1", "version: 2", 1)
    assert corrected != text
    codebook.write_text(corrected, encoding="utf-8")
    done = arcgain("reread", "-c", codebook, "--json", cwd=workspace)
    assert done.returncode == 0, done.stderr
    now = take_snapshot(open_workspace(workspace).store).account["harbour"]["range_test"]
    assert now["quarantined"] == account["quarantined"] - 2
    assert now["accepted"] == account["accepted"] + 2
    again = arcgain("reread", "-c", codebook, cwd=workspace)
    assert again.returncode == 2
    assert "raise the version" in again.stderr


def test_the_schema_is_written_for_editors(workspace):
    schema = json.loads((workspace / "codebooks" / "codebook.schema.json").read_text())
    assert json.loads(arcgain("schema", cwd=workspace).stdout) == schema
    first = (
        (workspace / "codebooks" / "tarnside.yaml").read_text(encoding="utf-8").partition("\n")[0]
    )
    assert first == "# yaml-language-server: $schema=codebook.schema.json"
