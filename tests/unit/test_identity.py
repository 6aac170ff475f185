"""The identity guard: headings, cells, pseudonyms, codes and free texts that may name a person.

What to refuse follows the list of identifiers of US 45 CFR 164.514(b)(2) (safe harbour); the words
of the six languages are common practice, no published source. Shapes of national numbers are those
of their issuers, from memory. All names, numbers and addresses are invented; telephone numbers are
of the ranges that regulators keep for fiction where there is one.
"""

from __future__ import annotations

import datetime
import pathlib
import shutil

import pandas as pd
import pytest

import audit
from audit.errors import UnusableInput
from audit.intake.identity import patterns as looks
from audit.intake.identity.cells import SHARES
from audit.intake.identity.headings import telltale
from audit.intake.identity.ids import id_queries
from schemas import TABLES

BASE = pathlib.Path(__file__).resolve().parents[1] / "traps" / "text" / "base"

IDENTIFYING = {
    "name": """PatientName patientname Pat._Name name_of_patient Surname patient_names initials
        full_name fullname maiden_name nickname First_Name_2 lastName centre_name surgeon_name
        Surgeon-Name GP_name hospital_name Patient's_name PtName Name NAME family_name given_names
        Vorname Nachname Klinikname Arztname Geburtsname Nom_du_patient nomdupatient Prénom
        Nombre_del_paciente Apellidos nombre_y_apellidos Nome Cognome Nome_do_doente Apelido Naam
        Achternaam childname mother_name guardian_name""",
    "birth": """DateOfBirth birth_date D.O.B. DOB year_of_birth yob birthyear birth born patient_dob
        patientdateofbirth place_of_birth Geburtsdatum geb._Datum Geb. Geburtsort Date_de_naissance
        Fecha_de_nacimiento Data_di_nascita Data_de_nascimento Geboortedatum""",
    "address": """address_line_2 home_address street_address City town zip ZipCode postal_code
        post_code gps latitude Straße Strasse_u._Hausnummer PLZ Ort Wohnort Anschrift Adresse Rue
        Ville Code_postal Dirección Calle Indirizzo Via Morada Adres Straat""",
    "telephone": """phone1 Phone_number mobile mobile_no mobile_phone cell_phone fax whatsapp pager
        tel telno phone_no telephone2 phone_grandma phone_number_for_follow_up Telefonnummer
        Tel._privat Handynr. Mutter_Handynr Téléphone Teléfono Telefono Telemóvel Telefoon""",
    "e-mail": "e-mail eMail E_MAIL_ADDRESS email2 emailaddress e_mail courriel correo_electrónico",
    "contact": """next_of_kin NOK nextofkin parent_contact Emergency_contact contact contact_details
        contact_number guardian mother contact_person Notfallkontakt""",
    "record": """MRN hospital_number NHS_No nhs_number insurance_no insurance_number policy_number
        file_no file_number record_number medical_record_number chart_no case_notes patient_no
        Versicherungsnummer Krankenkassennr Patientennummer Fallnummer numéro_de_dossier
        Número_de_historia_clínica Numero_cartella Número_de_utente Polisnummer Dossiernummer""",
    "national": """national_id passport SSN national_insurance_number identity_card id_card
        ID_number tax_id social_security number_of_passport DNI Codice_fiscale NIF BSN AHV-Nr.
        N°_sécurité_sociale Sozialversicherungsnummer Steuernummer birth_number""",
    "serial": "serial_no lot LOT_number implant_lot udi nail_serial batch_no device_id serial",
    "picture": "photo face_image image_file picture fingerprint Unterschrift",
    "account": """IBAN bank_account account_no credit_card username user_name password facebook url
        licence_plate number_plate driver's_license vin KFZ-Kennzeichen Führerschein kenteken""",
}
HARMLESS_WORDS = """
    nail_length_mm birth_weight_g implant_side notes town_block number_of_files hospital_stay_days
    record_date phone_follow_up device_name implant_name drug_name measure_name scheme_name
    nombre_de_seances nombre_de_patients anzahl_telefonate number_of_phone_calls phone_consultation
    phone_visit_date telephone_review email_consent image_quality imaging_date number_of_images
    photo_date face_pain_scale facet_joint surface_area interface birth_order birth_length_cm
    gestation_at_birth preterm_birth birthmark birth_injury mobile_knee mobility mobilisation_day
    cell_count city_block last_contact_date contact_date first_contact bone_contact_pct
    mother_height_cm father_height parent_informed guardian_consent_form record_complete
    records_reviewed recorded_on medical_history hospital_days hospital_code file_date chart_type
    insurance_type insurance serial_films series_a batch_import gender_identity national_guideline
    personal_goal social_score security licence_type road_traffic_accident via_approach
    discharged_via residence_time_min initial_gain initial_length_mm rename nominal_rate genome
    phenotype address_changed visit_number session_no nail_no screw_number case_number id row_id
    film_no study_id follow_up_days pain_score weight_kg height_cm bmi smoker asa_grade laterality
    lat_view knee_flexion nail_diameter_mm frame_type pin_site pin_site_2 bone_graft crp_mg_l
    operation_minutes dose_area_product length_of_stay readmitted return_to_theatre physio_sessions
    school_days_missed patient_satisfaction eq5d family_history portable_xray handy_scale geb_score
    capacity cap_fixation placebo dated entered_on operator_grade surgeon_grade centre_volume
    gp_letter_sent outcome_text comments telemetry telescoping_nail mailed postal_questionnaire
    streetwear chi_square nhs_funded urgency urine support_needed port_site patella_height
    patient_age patient_weight patient_group number_of_operations no_of_screws total_number
    face_to_face_visit video_gait_analysis picture_quality account_type date_of_surgery
    date_of_death discharge_home home_exercises country_code region deformity bone_age physis_open
    nagellänge strahlendosis geburtsgewicht bildqualität via_de_abordaje poids_naissance alter seite
"""


@pytest.mark.parametrize("kind", IDENTIFYING)
def test_identifying_headings_are_seen_in_any_spelling(kind):
    for heading in IDENTIFYING[kind].split():
        for spelt in (heading, heading.replace("_", " "), heading.upper(), f" {heading} "):
            if spelt.isupper() and not heading.isupper() and "_" not in heading:
                continue  # camelCase is lost in capitals
            assert telltale(spelt) is not None, spelt


def test_harmless_headings_are_let_through():
    found = {heading: telltale(heading) for heading in HARMLESS_WORDS.split()}
    assert {heading: what for heading, what in found.items() if what} == {}


def test_no_heading_of_the_contract_is_refused():
    names = {name for table in TABLES.values() for name in table.columns}
    assert {name for name in names if telltale(name)} == set()


def frames_of(cases: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Enough tables for a list of cases."""
    patients = pd.DataFrame({"patient_id": cases["patient_id"].unique(), "sex": "female"})
    return {"patients": patients.assign(aetiology="other"), "cases": cases}


def cases_with(ages: list[float], **columns: list[str]) -> pd.DataFrame:
    """Cases operated a day apart from 2024-03-01 at these ages, with more columns."""
    count = len(ages)
    days = pd.date_range("2024-03-01", periods=count)
    return pd.DataFrame(
        {
            "case_id": [f"C{i:03d}" for i in range(1, count + 1)],
            "patient_id": [f"P{i:03d}" for i in range(1, count + 1)],
            "segment": "femur",
            "device_class": "lengthening_nail",
            "age_at_surgery_years": ages,
            "surgery_date": days.strftime("%Y-%m-%d"),
            "planned_gain_mm": 38.0,
            "last_follow_up_date": "2025-03-01",
            "outcome_status": "in_treatment",
            **columns,
        }
    )


AGES = [12.5, 17.0, 24.0, 31.2, 45.9, 8.0]


def read(**columns: list[str]):
    return audit.tables_from_frames(frames_of(cases_with(AGES, **columns)))


def test_one_message_names_all_columns_of_all_tables_and_no_cell(tmp_path):
    for name in ("patients", "cases", "radiographs"):
        shutil.copy(BASE / f"{name}.csv", tmp_path)
    for name, heading in (("patients", "DOB"), ("cases", "Pat. Name"), ("radiographs", "MRN")):
        path = tmp_path / f"{name}.csv"
        lines = path.read_text().splitlines()
        lines = [f"{line},{'Zanzibar' if at else heading}" for at, line in enumerate(lines)]
        lines[3] = "not,even,a,row"  # nothing is parsed before the headings of all tables are seen
        path.write_text("\n".join(lines))
    with pytest.raises(UnusableInput) as caught:
        audit.read_source(tmp_path)
    message = str(caught.value)
    for part in ("table patients, 'DOB' looks like a birth date", "'Pat. Name'", "'MRN'"):
        assert part in message
    assert "3 columns" in message and "Zanzibar" not in message


def test_a_contract_heading_may_stand_in_another_table():
    tables = audit.tables_from_frames(
        frames_of(cases_with(AGES)) | {"actions": pd.DataFrame(
            {"action_id": ["A1"], "raised_on": ["2025-01-01"], "criterion": ["x"],
             "action": ["y"], "patient_id": ["P001"]})}
    )  # fmt: skip
    assert "unknown_column" in set(tables.queries["rule"])


# -- cells of unknown columns ----------------------------------------------------------------

EMAILS = [f"invented{i}@example.org" for i in range(6)]
PHONES = ["+44 1632 960001", "01632 960002", "(01632) 960003", "0163 2960004", "01632960005",
          "+44 1632 960006"]  # fmt: skip
NAMES = ["Anna Muster", "Muster, Bert", "Dr Cara Example", "Dora van Example", "E. Muster",
         "Fritz Müller-Muster"]  # fmt: skip
RECORDS = ["4711001", "4719882", "4722763", "4700034", "4788125", "4790006"]
NATIONAL = ["078-05-1120", "219-09-9999", "457-55-5462", "078-05-1121", "219-09-9998", "x"]
ADDRESSES = ["12 High Street", "Musterstrasse 5", "3 Long Lane", "rue du Test 4", "7 Low Road", "-"]


def births() -> list[str]:
    """A birth date for each case: the age at surgery and a few days, counted back."""
    days = pd.date_range("2024-03-01", periods=len(AGES))
    spans = [pd.Timedelta(days=round(365.25 * age + 20)) for age in AGES]
    return [(day - span).strftime("%Y-%m-%d") for day, span in zip(days, spans, strict=True)]


CONTENT = {
    "e-mail addresses": EMAILS,
    "telephone numbers": PHONES,
    "names": NAMES,
    "record numbers": RECORDS,
    "national or account numbers": NATIONAL,
    "addresses": ADDRESSES,
    "birth dates": births(),
    "birth years": [day[:4] for day in births()],
}


@pytest.mark.parametrize("what", CONTENT)
def test_an_unknown_column_of_identifying_cells_is_refused(what):
    with pytest.raises(UnusableInput, match=f"'remark': its content looks like {what}") as caught:
        read(remark=CONTENT[what])
    assert not any(cell in str(caught.value) for cell in CONTENT[what] if len(cell) > 4)


def test_birth_dates_are_seen_in_other_forms_and_in_the_patients_table():
    slashed = [datetime.date.fromisoformat(day).strftime("%d/%m/%Y") for day in births()]
    with pytest.raises(UnusableInput, match="birth dates"):
        read(remark=slashed)
    frames = frames_of(cases_with(AGES))
    frames["patients"]["remark"] = births()
    with pytest.raises(UnusableInput, match=r"table patients, 'remark'.*birth dates"):
        audit.tables_from_frames(frames)


def test_dates_long_before_surgery_are_births_where_no_age_is_known():
    cases = cases_with(AGES, remark=births()).assign(age_at_surgery_years="n/a")
    cases["remark"] = ["1975-01-03", "1961-05-05", "1988-03-30", "1990-12-01", "1984-07-07", ""]
    with pytest.raises(UnusableInput, match="birth dates"):
        audit.tables_from_frames(frames_of(cases))


def test_visits_of_infants_are_not_taken_for_births():
    infants = cases_with([0.1, 0.2, 1.0, 1.5, 0.5, 0.3])
    infants["remark"] = infants["surgery_date"]
    tables = audit.tables_from_frames(frames_of(infants))
    assert tables.queries["rule"].tolist() == ["unknown_column"]


def test_surnames_alone_are_seen_where_they_differ_from_row_to_row():
    names = ["Muster", "Example", "Sampleton", "Testmann", "Dummy", "Placer", "Exempel",
             "Modelo", "Voorbeeld", "Esempio", "Prototyp"]  # fmt: skip
    cases = cases_with([20.0] * len(names), remark=names)
    with pytest.raises(UnusableInput, match="surnames or places"):
        audit.tables_from_frames(frames_of(cases))


INNOCENT = {
    "visit dates": ["2024-03-05", "2024-04-05", "2023-12-01", "", "2024-06-05", "2024-07-01"],
    "earlier operations": [
        "2018-03-05",
        "2019-04-05",
        "2023-12-01",
        "",
        "2015-06-05",
        "2020-07-01",
    ],
    "packed dates": ["20240305", "20240405", "20231201", "", "20240605", "20240701"],
    "measures": ["0.123456789", "12.5", "1234.5", "99", "-3", "7"],
    "codes": ["Soft Tissue", "Left Femur", "Soft Tissue", "Pin Site", "Grade Two", "Left Tibia"],
    "running numbers": ["1", "2", "3", "4", "5", "6"],
    "lot-like codes": ["A-1203", "A-1204", "B-1205", "B-1206", "C-1207", "C-1208"],
    "motion, neutral-zero": ["0/10/130", "5/0/140", "0/0/120", "10/0/90", "0/20/110", "0/5/95"],
    "years of first visit": ["2019", "2021", "2020", "2023", "2022", "2018"],
    "comments": ["good result", "slow new bone", "none", "pain at night", "walks well", "ok"],
}


@pytest.mark.parametrize("what", INNOCENT)
def test_an_innocent_unknown_column_is_kept_and_asked_about_once(what):
    tables = read(remark=INNOCENT[what])
    assert tables.queries["rule"].tolist() == ["unknown_column"]
    assert tables["cases"]["remark"].tolist() == INNOCENT[what]


def test_a_label_that_looks_like_a_name_is_asked_about_once_and_not_refused():
    tables = read(remark=["Anna Method"] * 5 + ["other"])
    assert tables.queries["rule"].tolist() == ["unknown_column", "free_text_may_identify"]


def test_shares_are_what_they_say():
    one_in_ten = cases_with([20.0 + i for i in range(20)], remark=["fine"] * 18 + EMAILS[:2])
    with pytest.raises(UnusableInput, match="e-mail"):
        audit.tables_from_frames(frames_of(one_in_ten))
    below = cases_with([20.0 + i for i in range(20)], remark=["fine"] * 19 + EMAILS[:1])
    tables = audit.tables_from_frames(frames_of(below))
    found = tables.queries.loc[tables.queries["rule"] == "free_text_may_identify"]
    assert found["row"].tolist() == [21]
    assert found["value"].tolist() == [""]
    assert SHARES["e-mail addresses"] == 0.1


# -- free text and codes ---------------------------------------------------------------------

TEXTS = {
    "seen on 10/01/2025 with swelling": "a date",
    "since 2024-11-03 dry": "a date",
    "fell 12.03.24 at home": "a date",
    "on 3 March pin loose": "a date",
    "bent in March 2024": "a date",
    "le 3 mars 2024 rougeur": "a date",
    "call 01632 960001": "a telephone number",
    "ask a.muster@example.org": "an e-mail address",
    "see https://example.org/x": "a web address",
    "chart 47110815 redness": "a long number",
    "seen by Dr Muster": "a person's title and name",
    "Frau Muster rang": "a person's title and name",
    "Mme Exemple a appelé": "a person's title and name",
}
PLAIN_TEXTS = [
    "pin-site redness and discharge", "distraction ended at the patient's wish",
    "ROM 0/10/130, then 5/0/140", "may 2 weeks later", "10-15-20 degrees", "3 marks on skin",
    "axis 12-10-08", "type 3 of 5", "two pins out of 6", "0.75 mm a day from day 7",
    "dr to review", "grade II, 1/2 of the cortex", "5 may need a brace", "12 h later",
]  # fmt: skip


@pytest.mark.parametrize("text", TEXTS)
def test_a_free_text_that_may_identify_is_asked_about_and_not_repeated(text):
    assert TEXTS[text] in looks.kinds_in_text(text)
    complications = pd.DataFrame(
        {"complication_id": ["X1"], "case_id": ["C001"], "occurred_on": ["2024-04-01"],
         "origin": ["bone"], "unplanned_operation": ["no"], "description": [text]}
    )  # fmt: skip
    tables = audit.tables_from_frames(
        frames_of(cases_with(AGES)) | {"complications": complications}
    )
    query = tables.queries.iloc[0]
    assert len(tables.queries) == 1
    assert (query["rule"], query["severity"]) == ("free_text_may_identify", "warning")
    assert (query["column"], query["row"], query["value"]) == ("description", 2, "")
    assert TEXTS[text] in query["message"] and text not in query["message"]


def test_plain_free_texts_are_not_asked_about():
    assert {
        text: looks.kinds_in_text(text) for text in PLAIN_TEXTS if looks.kinds_in_text(text)
    } == {}


def test_very_many_texts_become_one_question():
    count = 260
    complications = pd.DataFrame(
        {"complication_id": [f"X{i}" for i in range(count)], "case_id": "C001",
         "occurred_on": "2024-04-01", "origin": "bone", "unplanned_operation": "no",
         "description": [f"call 01632 96{i:04d}" for i in range(count)]}
    )  # fmt: skip
    frames = frames_of(cases_with(AGES)) | {"complications": complications}
    queries = audit.tables_from_frames(frames).queries
    assert queries["rule"].tolist() == ["free_text_may_identify"]
    assert queries["message"].iloc[0].startswith("260 cells")


@pytest.mark.parametrize(
    "code", ["Dr Smith", "Anna Muster", "A.M.", "A. Muster", "Muster, A.", "Muster"]
)
def test_a_surgeon_code_that_looks_like_a_name_is_asked_about_once(code):
    tables = read(surgeon=[code, code, code, "S2", "S2", "S3"])
    query = tables.queries.iloc[0]
    assert tables.queries["rule"].tolist() == ["code_may_name_person"]
    assert (query["column"], query["row"], query["value"]) == ("surgeon", 2, "")


@pytest.mark.parametrize("code", ["S1", "north", "North", "Site A", "consultant lead", "Audit Lead",
                                  "Ward Sister", "Alpha", "K-07"])  # fmt: skip
def test_codes_and_roles_are_not_taken_for_names(code):
    assert not looks.names_a_person(code, surnames=True)


# -- pseudonyms ------------------------------------------------------------------------------


def asked_of_ids(ids: list[str], ages: list[float] | None = None) -> pd.DataFrame:
    cases = cases_with(ages or [20.0 + 1.7 * i for i in range(len(ids))])
    cases["surgery_date"] = pd.to_datetime(cases["surgery_date"])
    cases["row"] = range(2, len(ids) + 2)
    patients = pd.DataFrame({"row": cases["row"], "patient_id": ids})
    parts = id_queries({"patients": patients, "cases": cases.assign(patient_id=ids)})
    parts = [part for part in parts if (part["column"] == "patient_id").all()]
    return pd.concat([*parts, pd.DataFrame({"row": [], "message": []})])


@pytest.mark.parametrize(
    ("odd", "kind"),
    [
        ("AB1987", "initials and a year of birth"),
        ("1987-ab", "initials and a year of birth"),
        ("MUE.HA", "a name or initials"),
        ("smith_j", "a name or initials"),
        ("Anna Muster", "a name or initials"),
        ("19870412-AB", "a birth date"),
        ("12.04.1987", "a birth date"),
        ("a.muster@example.org", "an e-mail address"),
        ("078-05-1120", "a national or record number"),
        ("870412-1234", "a national or record number"),
        ("3216549870", "a national or record number"),
    ],
)
def test_a_single_id_that_may_identify_is_asked_about_by_row(odd, kind):
    asked = asked_of_ids(["P001", "P002", odd, "P004", "P005", "P006", "P007"])
    assert asked["row"].tolist() == [4]
    assert kind in asked["message"].iloc[0]
    assert asked["value"].tolist() == [""] and odd not in asked["message"].iloc[0]


RUNNING = range(1, 13)
PSEUDONYMS = {
    "letter and number": [f"P{i:03d}" for i in RUNNING],
    "year of surgery and number": [f"N2024-{i:03d}" for i in RUNNING],
    "prefix, year of surgery, number": [f"CA2024{i:03d}" for i in RUNNING],
    "ten digits that begin with the year": [f"2024{i:06d}" for i in RUNNING],
    "four digits": [f"C{1980 + i}" for i in RUNNING],
    "two digits": [f"{i:02d}" for i in RUNNING],
    "random codes": [f"X{(7919 * i) % 997:03d}K{i % 7}Q" for i in RUNNING],
    "random letters and digits": [f"{'KPZQTBMRLVWX'[i - 1]}R{(37 * i) % 90 + 10}" for i in RUNNING],
    "words and numbers": [f"case_{i}" for i in RUNNING],
    "centre and number": [f"{'north' if i % 2 else 'south'}-{i:02d}" for i in RUNNING],
    "uuid": [f"3f2b9c1e-19{i:02d}-4bbb-8ccc-0123456789ab" for i in RUNNING],
    "number and year": [f"P-{i:04d}/24" for i in RUNNING],
    "one letter": list("abcdefghijkl"),
}


@pytest.mark.parametrize("scheme", PSEUDONYMS)
def test_sound_pseudonyms_raise_no_question(scheme):
    assert asked_of_ids(PSEUDONYMS[scheme])["message"].tolist() == []


def test_ids_of_the_demo_data_raise_no_question(demo_tables):
    assert "id_may_identify" not in set(demo_tables.queries["rule"])


@pytest.mark.parametrize(
    "form", ["P{year}-{i}", "{letter}M{short:02d}", "{short:02d}0412-{i}", "K{short:02d}{i:02d}"]
)
def test_ids_that_hold_the_year_of_birth_are_one_question(form):
    ages = [8.0 + 3.3 * i for i in range(12)]
    years = [int(2024.16 - age) for age in ages]
    ids = [
        form.format(year=year, short=year % 100, i=i, letter="ABCDEFGHIJKL"[i])
        for i, year in enumerate(years)
    ]
    asked = asked_of_ids(ids, ages)
    assert asked["row"].tolist() == [""]
    assert asked["message"].iloc[0].startswith("12 of 12 ids may identify people")


def test_running_numbers_that_meet_years_of_birth_by_chance_do_not_fire():
    # twelve children born 2004 to 2015, numbered 01 to 12 in order of birth: half of the ids hold
    # a year near the birth, and so do others' ids
    ages = [2024.16 - year for year in range(2004, 2016)]
    assert asked_of_ids([f"P{i:02d}" for i in range(1, 13)], ages)["message"].tolist() == []


def test_words_that_differ_from_id_to_id_are_names():
    ids = ["Smith01", "Muster02", "Example03", "Sample04", "Person05", "Placer06"]
    assert "names" in asked_of_ids(ids)["message"].iloc[0]


# -- where the description goes ---------------------------------------------------------------

SENTINEL = "quetzal-sentinel"


def test_descriptions_are_shown_nowhere_outside(tmp_path):
    from audit.discussion import cases_to_discuss
    from audit.release.run_files import save_run
    from audit.run import run_audit
    from audit.tables import cases as case_tables
    from audit.tables import front

    source, out = tmp_path / "source", tmp_path / "out"
    shutil.copytree(BASE, source)
    out.mkdir()
    frame = pd.read_csv(source / "complications.csv", dtype=str, keep_default_na=False)
    frame["description"] = f"{SENTINEL} call 01632 960001"  # also asked about, and not repeated
    frame.loc[0, "unplanned_operation"] = "perhaps"  # and a question on the same row
    frame.to_csv(source / "complications.csv", index=False)
    run = run_audit(source, quarter="2026Q3")
    assert "free_text_may_identify" in set(run.cohort.queries["rule"])
    save_run(run, out)
    written = {path.name: path.read_text(encoding="utf-8") for path in out.iterdir()}
    assert len(written) >= 6
    assert [name for name, text in written.items() if SENTINEL in text] == []
    shown = [
        front.discussion_table(run).frame,
        front.query_table(run.cohort).frame,
        case_tables.rhythm_table(run).frame,
        cases_to_discuss(run),
        case_tables.heaviest_cases(run, most=5).to_frame(),
        run.measured,
        run.results,
    ]
    assert not any(SENTINEL in frame.to_csv() for frame in shown)
