"""The English words of the feedback to a clinic, for its page and its workbook."""

from pipeline.feedback import Mender
from schemas.table import SOURCE_ROW

TABLE_WORDS = {
    SOURCE_ROW: "rows of the exports",
    "patient": "patients",
    "joint_episode": "episodes of a hip",
    "visit": "visits",
    "range_test": "range tests",
    "provocation_test": "provocation tests",
    "treatment": "treatments",
}

MENDER_WORDS = {
    Mender.CLINIC: "For the clinic, at the source",
    Mender.CODEBOOK: "Perhaps a matter of the codebook",
}

MENDER_SHORT = {Mender.CLINIC: "clinic", Mender.CODEBOOK: "network (codebook)"}

WORDS = {
    "title": "Feedback on exports",
    "glance": "At a glance",
    "nothing": "Nothing to correct: every fact and every row that was read could be used or is accounted for.",
    "exports": "Exports",
    "account": "What became of what was read",
    "problems": "Problems, and what to do",
    "how": "How to correct",
    "list": "Places to correct",
    "caption_exports": "Exports that this account covers, newest first",
    "caption_clinic": "For the clinic first, most facts at the top",
    "caption_codebook": "For the network first, most facts at the top",
    "caption_account": "Counts over all these exports; “read” is the sum of the others",
    "caption_list": "By file and row, newest export first",
    "whole_row": "whole row",
    "no_value": "none shown",
    "not_kept": "not kept",
    "more": "The first {shown} of {total} places are listed here. The workbook that belongs to this page lists all.",
    "skip": "Skip to the account",
}

STEPS = (
    (
        "Find the row in your own file by its number. “Row or line” counts from the top of the sheet or file, the "
        "header included; “Record” counts from the first row under the header. Where a cell holds line breaks, a text "
        "file has more lines than a spreadsheet program shows rows: then go by “Record”."
    ),
    (
        "Correct it where it was first recorded, from the original record. Never fill in a value merely because it "
        "fits. Where the right value is not known, say so in the way the codebook declares."
    ),
    (
        "Export again and send the whole file with its new day of export. Of two exports that say different things "
        "of one record, the one with the later day counts; two of the same day that contradict each other are refused."
    ),
    "In questions about this list name file and row. Never send a patient's name with it.",
)

NOTES = (
    (
        "A place is one cell, or one whole row. One unreadable cell can hold back several facts. A fact is what the "
        "network keeps: one patient, episode, visit, test or treatment."
    ),
    (
        "Values that may identify someone are shown by their shape: letters as x, digits as 9. “None shown”: the cell "
        "is empty, or what it holds is not shown at all."
    ),
    (
        "For this clinic and the network's data manager alone, not for publication: whoever has the clinic's file can "
        "find a patient by the number of the row."
    ),
)

INCREMENT_NOTE = (
    "Partial exports add to each other: a place of an earlier one stays listed here even if a later one has put it "
    "right."
)

MENDER_NOTES = {
    Mender.CLINIC: (
        "If nearly every row of one column has the same problem, the codebook may describe the column wrongly: tell "
        "the network before you change the records."
    ),
    Mender.CODEBOOK: (
        "The network's data manager looks at these first: a change of the codebook may let them in without a change "
        "at the clinic. Where the codebook is right, the clinic corrects them as stated."
    ),
}
