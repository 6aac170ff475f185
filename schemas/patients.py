"""patients: one row a patient."""

from schemas.fields import column, table

PATIENTS = table(
    "patients",
    {
        "patient_id": column(
            "identifier",
            "Patient",
            "Pseudonym of the patient; never a name, initials, birth year or record number.",
            required=True,
        ),
        "sex": column("code", "Sex", "Sex as recorded.", required=True, codes="sex"),
        "aetiology": column(
            "code",
            "Cause",
            "Main cause of the shortening.",
            codes="aetiology",
        ),
    },
    key="patient_id",
    meaning="One row a patient.",
)
