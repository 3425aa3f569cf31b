"""The first schema: documents, facts, what is derived from them, people; and the guards of the logs."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

#: Rows of these are added and never changed.
LOGS = (
    "event",
    "institution",
    "collection",
    "place",
    "profile",
    "balance",
    "allowance",
    "shipment",
    "shipment_item",
    "loan",
    "request",
    "promise",
    "case_record",
    "case_cause",
    "case_item",
    "case_entry",
    "case_file",
    "label_print",
    "label_void",
    "alias",
    "packaging_prefix",
    "number_block",
    "role_change",
    "succession",
    "evidence_file",
    "file_erasure",
    "source",
    "layout",
    "clock_check",
    "upload",
    "upload_end",
    "upload_withdrawal",
    "reading_chunk",
)
#: A line of a loan that is out; a handover that somebody still has to speak to.
OUT = "line IN ('sent', 'held', 'part_used', 'returning')"
CASE_KINDS = (
    "loss suspected_theft damage contamination seal environment exposure misdelivery mass swap label papers near_miss"
)
EVER = "item <> ''"
LATE = f"{EVER} AND {OUT} AND to_at > due_at"
OPEN = "handover IN ('giver_only', 'taker_only', 'declared', 'disputed', 'held', 'rejected')"


def upgrade() -> None:
    """Everything, in an empty database."""
    documents()
    requests()
    cases()
    facts()
    items()
    spans()
    people()
    accounts()
    files()
    readings()
    guards()


def downgrade() -> None:
    """Refused: what a step back would throw away is somebody's record."""
    raise NotImplementedError("The schema only goes forward. To go back, put the backup back.")


def text(name: str, *, null: bool = False) -> sa.Column[Any]:
    """Words."""
    return sa.Column(name, sa.String(), nullable=null)


def whole(name: str, *, null: bool = False) -> sa.Column[Any]:
    """A whole number that fits 32 bits."""
    return sa.Column(name, sa.Integer(), nullable=null)


def big(name: str, *, null: bool = False) -> sa.Column[Any]:
    """A whole number of 64 bits, such as a mass in ng."""
    return sa.Column(name, sa.BigInteger(), nullable=null)


def real(name: str, *, null: bool = False) -> sa.Column[Any]:
    """A number with a fraction, never a mass."""
    return sa.Column(name, sa.Float(), nullable=null)


def truth(name: str) -> sa.Column[Any]:
    """Yes or no."""
    return sa.Column(name, sa.Boolean(), nullable=False)


def instant(name: str, *, null: bool = False) -> sa.Column[Any]:
    """A moment, in UTC."""
    return sa.Column(name, sa.DateTime(timezone=True), nullable=null)


def day(name: str, *, null: bool = False) -> sa.Column[Any]:
    """A local date."""
    return sa.Column(name, sa.Date(), nullable=null)


def version_columns() -> tuple[sa.Column[Any], ...]:
    """Which version, since when it holds, when and by whom it was told, and why."""
    return (whole("version"), instant("valid_from"), instant("recorded_at"), text("actor"), text("because"))


def one_of(table: str, column: str, words: str) -> sa.CheckConstraint:
    """A CHECK that a short string is one of a closed list."""
    known = ", ".join(repr(word) for word in words.split())
    return sa.CheckConstraint(f"{column} IN ({known})", name=f"ck_{table}_{column}_known")


def index(name: str, table: str, *columns: str) -> None:
    """An index over all rows."""
    op.create_index(name, table, columns)


def partial(name: str, table: str, where: str, *columns: str) -> None:
    """An index over the rows for which a condition holds."""
    op.create_index(name, table, columns, sqlite_where=sa.text(where), postgresql_where=sa.text(where))


def documents() -> None:
    """Chains: every version of a document is a row of its own."""
    op.create_table(
        "institution",
        *version_columns(),
        text("code"),
        text("name"),
        text("kind"),
        text("zone"),
        whole("altitude_m", null=True),
        sa.PrimaryKeyConstraint("code", "version", name="pk_institution"),
        one_of("institution", "kind", "lender borrower deposit courier authority requester other"),
    )
    op.create_table(
        "collection",
        *version_columns(),
        text("code"),
        text("owner"),
        text("prefix"),
        text("zone"),
        text("name"),
        whole("late_after_s"),
        whole("reserve_floor_ppm", null=True),
        whole("cut_overshoot_ppm"),
        instant("fell_at", null=True),
        sa.PrimaryKeyConstraint("code", "version", name="pk_collection"),
        sa.CheckConstraint("reserve_floor_ppm BETWEEN 0 AND 1000000", name="ck_collection_floor_is_share"),
        sa.CheckConstraint("cut_overshoot_ppm BETWEEN 0 AND 1000000", name="ck_collection_overshoot_is_share"),
    )
    index("ix_collection_owner", "collection", "owner")
    op.create_table(
        "place",
        *version_columns(),
        text("code"),
        text("institution"),
        text("what"),
        text("profile"),
        text("custodian", null=True),
        sa.PrimaryKeyConstraint("code", "version", name="pk_place"),
    )
    op.create_table(
        "profile",
        *version_columns(),
        text("code"),
        text("institution"),
        text("what"),
        text("limits"),
        text("decisive", null=True),
        whole("lifetime_budget_s", null=True),
        whole("single_budget_s", null=True),
        whole("least_readings"),
        whole("max_gap_s", null=True),
        whole("spike_allowance_s"),
        text("as_strict_as"),
        text("contact_materials"),
        sa.PrimaryKeyConstraint("code", "version", name="pk_profile"),
        sa.CheckConstraint("least_readings >= 1 AND spike_allowance_s >= 0 AND max_gap_s > 0", name="ck_profile_sound"),
        sa.CheckConstraint("lifetime_budget_s >= 0 AND single_budget_s >= 0", name="ck_profile_budgets"),
    )
    op.create_table(
        "balance",
        *version_columns(),
        text("code"),
        text("institution"),
        text("what"),
        big("readability_ng"),
        big("repeatability_ng"),
        day("good_until"),
        day("calibrated_on", null=True),
        big("calibration_load_ng", null=True),
        big("error_of_indication_ng", null=True),
        big("calibration_u_ng", null=True),
        big("linearity_ng", null=True),
        sa.PrimaryKeyConstraint("code", "version", name="pk_balance"),
        sa.CheckConstraint("readability_ng > 0 AND repeatability_ng > 0", name="ck_balance_positive"),
        sa.CheckConstraint(
            "calibration_load_ng > 0 AND calibration_u_ng >= 0 AND linearity_ng >= 0", name="ck_balance_certified"
        ),
    )
    op.create_table(
        "allowance",
        *version_columns(),
        text("code"),
        text("owner"),
        text("rules"),
        sa.PrimaryKeyConstraint("code", "version", name="pk_allowance"),
    )
    op.create_table(
        "shipment",
        *version_columns(),
        text("code"),
        text("consignor"),
        text("addressee"),
        text("carrier"),
        instant("expected_by", null=True),
        text("loan", null=True),
        text("why"),
        text("handling"),
        instant("turned_at", null=True),
        sa.PrimaryKeyConstraint("code", "version", name="pk_shipment"),
    )
    index("ix_shipment_addressee", "shipment", "addressee")
    index("ix_shipment_consignor", "shipment", "consignor")
    op.create_table(
        "shipment_item",
        text("shipment"),
        text("item"),
        instant("recorded_at"),
        text("actor"),
        sa.PrimaryKeyConstraint("shipment", "item", name="pk_shipment_item"),
    )
    index("ix_shipment_item_item", "shipment_item", "item")
    op.create_table(
        "loan",
        *version_columns(),
        text("code"),
        text("lender"),
        text("borrower"),
        text("responsible"),
        text("purpose"),
        text("zone"),
        text("returned_when"),
        whole("term_months", null=True),
        day("due_on", null=True),
        instant("signed_at", null=True),
        day("confidential_until", null=True),
        instant("confidential_to", null=True),
        text("confidential_zone", null=True),
        text("signing_id"),
        instant("recalled_at", null=True),
        instant("closed_at", null=True),
        sa.PrimaryKeyConstraint("code", "version", name="pk_loan"),
        one_of("loan", "returned_when", "received_by_lender handed_to_carrier"),
    )
    index("ix_loan_borrower", "loan", "borrower")
    index("ix_loan_lender", "loan", "lender")


def requests() -> None:
    """Who asks for material, and what was promised of which sample."""
    op.create_table(
        "request",
        *version_columns(),
        text("code"),
        text("collection"),
        text("institution"),
        text("responsible"),
        text("what"),
        text("samples"),
        whole("pieces"),
        big("wanted_ng", null=True),
        big("least_ng", null=True),
        text("purpose"),
        truth("destructive"),
        text("status"),
        sa.PrimaryKeyConstraint("code", "version", name="pk_request"),
        one_of("request", "status", "in_review approved refused withdrawn fulfilled"),
        sa.CheckConstraint(
            "pieces > 0 AND wanted_ng > 0 AND least_ng > 0 AND least_ng <= wanted_ng", name="ck_request_sound"
        ),
    )
    index("ix_request_collection", "request", "collection")
    index("ix_request_institution", "request", "institution")
    op.create_table(
        "promise",
        *version_columns(),
        text("code"),
        text("request"),
        whole("line"),
        text("collection"),
        text("sample"),
        big("mass_ng", null=True),
        instant("expires_at", null=True),
        text("state"),
        text("piece", null=True),
        big("cut_ng", null=True),
        sa.PrimaryKeyConstraint("code", "version", name="pk_promise"),
        one_of("promise", "state", "promised freed cut"),
        sa.CheckConstraint("mass_ng > 0", name="ck_promise_above_zero"),
        sa.CheckConstraint("(state = 'cut') = (piece IS NOT NULL)", name="ck_promise_cut_has_piece"),
    )
    index("ix_promise_collection", "promise", "collection")
    index("ix_promise_request", "promise", "request", "line")
    index("ix_promise_sample", "promise", "sample")


def cases() -> None:
    """What went wrong with which things, what was said of it, and what was decided."""
    op.create_table(
        "case_record",
        *version_columns(),
        text("code"),
        text("owner"),
        text("opened_by"),
        text("rule", null=True),
        text("kind"),
        text("what"),
        text("loan", null=True),
        instant("found_at"),
        instant("happened_from", null=True),
        instant("happened_to", null=True),
        text("state"),
        truth("hold"),
        truth("internal"),
        instant("decide_by"),
        text("cause", null=True),
        text("decision", null=True),
        sa.PrimaryKeyConstraint("code", "version", name="pk_case_record"),
        one_of("case_record", "kind", CASE_KINDS),
        one_of("case_record", "state", "open contained decided closed"),
        sa.CheckConstraint(
            "(state IN ('decided', 'closed')) = (decision IS NOT NULL)", name="ck_case_record_decision_said"
        ),
        sa.CheckConstraint("happened_to >= happened_from", name="ck_case_record_interval"),
    )
    for column in ("owner", "opened_by", "loan"):
        index(f"ix_case_record_{column}", "case_record", column)
    op.create_table(
        "case_cause",
        text("rule"),
        text("key"),
        text("owner"),
        text("case_code"),
        text("person", null=True),
        instant("recorded_at"),
        text("actor"),
        sa.PrimaryKeyConstraint("rule", "key", "owner", name="pk_case_cause"),
    )
    index("ix_case_cause_case_code", "case_cause", "case_code")
    op.create_table(
        "case_item",
        text("case_code"),
        text("item"),
        instant("from_at"),
        instant("recorded_at"),
        text("actor"),
        sa.PrimaryKeyConstraint("case_code", "item", name="pk_case_item"),
    )
    index("ix_case_item_item", "case_item", "item")
    op.create_table(
        "case_entry",
        text("case_code"),
        whole("line"),
        instant("said_at"),
        instant("recorded_at"),
        text("actor"),
        text("acting_for"),
        text("what"),
        truth("shared"),
        sa.PrimaryKeyConstraint("case_code", "line", name="pk_case_entry"),
    )
    op.create_table(
        "case_file",
        text("case_code"),
        whole("line"),
        text("sha256"),
        text("actor"),
        sa.PrimaryKeyConstraint("case_code", "line", "sha256", name="pk_case_file"),
    )
    index("ix_case_file_sha256", "case_file", "sha256")


def facts() -> None:
    """What was told, and the labels and numbers it was told of."""
    op.create_table(
        "event",
        text("id"),
        text("kind"),
        instant("happened_at"),
        instant("happened_latest"),
        text("time_raw"),
        text("time_source"),
        whole("uncertainty_s"),
        instant("recorded_at"),
        big("late_s"),
        text("actor"),
        text("acting_for"),
        text("device"),
        text("boot"),
        whole("sequence", null=True),
        whole("place_in_request"),
        text("subjects"),
        text("body"),
        text("amends", null=True),
        text("shipment", null=True),
        text("confirms", null=True),
        text("logger", null=True),
        text("request_digest"),
        text("note_digest", null=True),
        text("digest"),
        text("answer"),
        text("row_digest"),
        sa.PrimaryKeyConstraint("id", name="pk_event"),
        sa.CheckConstraint("happened_latest >= happened_at", name="ck_event_interval"),
        one_of("event", "time_source", "device typed carrier import server"),
    )
    partial("ix_event_amends", "event", "amends IS NOT NULL", "amends")
    partial("ix_event_confirms", "event", "confirms IS NOT NULL", "confirms")
    partial("ix_event_logger", "event", "logger IS NOT NULL", "logger", "happened_at")
    partial("ix_event_late", "event", "late_s > 0", "recorded_at", "id")
    partial("ix_event_shipment", "event", "shipment IS NOT NULL", "shipment", "happened_at")
    op.create_table(
        "note",
        text("event_id"),
        text("text"),
        text("salt"),
        sa.PrimaryKeyConstraint("event_id", name="pk_note"),
    )
    op.create_table(
        "label_print",
        text("number"),
        whole("serial"),
        text("event_id"),
        instant("recorded_at"),
        text("actor"),
        text("because"),
        sa.PrimaryKeyConstraint("number", "serial", name="pk_label_print"),
    )
    op.create_table(
        "label_void",
        text("number"),
        whole("serial"),
        text("event_id"),
        instant("recorded_at"),
        text("actor"),
        text("because"),
        sa.PrimaryKeyConstraint("number", "serial", name="pk_label_void"),
    )
    op.create_table(
        "alias",
        text("institution"),
        text("alias"),
        text("item"),
        instant("recorded_at"),
        text("actor"),
        sa.PrimaryKeyConstraint("institution", "alias", name="pk_alias"),
    )
    index("ix_alias_item", "alias", "item")
    op.create_table(
        "packaging_prefix",
        text("prefix"),
        text("institution"),
        instant("recorded_at"),
        text("actor"),
        text("because"),
        sa.PrimaryKeyConstraint("prefix", name="pk_packaging_prefix"),
    )
    index("ix_packaging_prefix_institution", "packaging_prefix", "institution")
    op.create_table(
        "number_block",
        text("id"),
        text("prefix"),
        whole("first_serial"),
        whole("last_serial"),
        text("institution"),
        instant("recorded_at"),
        text("actor"),
        sa.PrimaryKeyConstraint("id", name="pk_number_block"),
        sa.CheckConstraint("last_serial >= first_serial", name="ck_number_block_order"),
        sa.UniqueConstraint("prefix", "first_serial", name="uq_number_block_prefix_first_serial"),
    )
    index("ix_number_block_institution", "number_block", "institution")
    op.create_table(
        "succession",
        text("institution"),
        instant("recorded_at"),
        instant("from_at"),
        text("successor", null=True),
        text("actor"),
        text("because"),
        sa.PrimaryKeyConstraint("institution", "recorded_at", name="pk_succession"),
    )


def items() -> None:
    """What is derived of an item but has no course in time."""
    op.create_table(
        "item",
        text("number"),
        text("kind"),
        text("form"),
        text("owner"),
        text("collection", null=True),
        text("what"),
        truth("provisional"),
        instant("newest_recorded_at"),
        sa.PrimaryKeyConstraint("number", name="pk_item"),
        one_of("item", "form", "material vial bag jar box overpack other"),
        one_of("item", "kind", "sample container parcel"),
    )
    index("ix_item_owner", "item", "owner", "number")
    op.create_table(
        "number_counter",
        text("prefix"),
        text("owner"),
        whole("last_serial"),
        sa.PrimaryKeyConstraint("prefix", name="pk_number_counter"),
    )
    op.create_table(
        "item_party",
        text("item"),
        text("institution"),
        instant("until"),
        sa.PrimaryKeyConstraint("item", "institution", name="pk_item_party"),
    )
    index("ix_item_party_institution", "item_party", "institution", "item")
    op.create_table(
        "event_item",
        text("item"),
        text("event_id"),
        instant("known_from"),
        instant("known_to"),
        text("source_id"),
        instant("happened_at"),
        text("kind"),
        sa.PrimaryKeyConstraint("item", "event_id", "known_from", name="pk_event_item"),
    )
    index("ix_event_item_event", "event_item", "event_id")
    index("ix_event_item_time", "event_item", "item", "happened_at")
    op.create_table(
        "event_balance",
        text("balance"),
        text("event_id"),
        sa.PrimaryKeyConstraint("balance", "event_id", name="pk_event_balance"),
    )


def spans() -> None:
    """What is derived and holds from one instant to another."""
    op.create_table(
        "item_span",
        text("item"),
        instant("from_at"),
        instant("known_from"),
        instant("to_at"),
        instant("known_to"),
        whole("live"),
        text("event_id"),
        text("by_item"),
        text("parent", null=True),
        text("certain", null=True),
        text("holder", null=True),
        instant("certain_since", null=True),
        text("claimed", null=True),
        text("claimant", null=True),
        text("handover"),
        text("words"),
        text("sent_on", null=True),
        text("place", null=True),
        text("status"),
        truth("accessioned"),
        text("loan", null=True),
        text("lender", null=True),
        text("borrower", null=True),
        text("line"),
        instant("line_since", null=True),
        day("due_on", null=True),
        instant("due_at", null=True),
        text("terms"),
        big("mass_ng", null=True),
        real("variance"),
        real("estimated_variance"),
        text("how"),
        text("material"),
        text("moisture_class"),
        truth("reserve"),
        text("profile", null=True),
        truth("closed"),
        text("basis"),
        text("tare"),
        sa.PrimaryKeyConstraint("item", "from_at", "known_from", name="pk_item_span"),
        sa.CheckConstraint("to_at > from_at AND known_to > known_from", name="ck_item_span_forward"),
        one_of("item_span", "handover", "none agreed giver_only taker_only declared disputed rejected held ended"),
        one_of("item_span", "line", "none promised sent held part_used returning returned used_up lost_decided"),
        sa.CheckConstraint("parent <> item", name="ck_item_span_not_in_itself"),
        one_of("item_span", "status", "unknown stored taken_out packed in_transit received ended"),
    )
    partial("ix_item_span_borrower_now", "item_span", f"live = 1 AND {OUT}", "borrower", "item")
    partial("ix_item_span_borrower_due_now", "item_span", f"live = 1 AND {OUT}", "borrower", "due_at", "item")
    partial("ix_item_span_borrower_late", "item_span", LATE, "borrower", "due_at", "item", "to_at")
    partial("ix_item_span_borrower_past", "item_span", f"{EVER} AND {OUT}", "borrower", "item", "from_at", "to_at")
    partial("ix_item_span_claimant_now", "item_span", "live = 1 AND claimant IS NOT NULL", "claimant", "item")
    partial(
        "ix_item_span_claimant_past",
        "item_span",
        f"{EVER} AND claimant IS NOT NULL",
        "claimant",
        "item",
        "from_at",
        "to_at",
    )
    partial("ix_item_span_due_now", "item_span", f"live = 1 AND {OUT}", "due_at", "item")
    partial("ix_item_span_holder_now", "item_span", "live = 1", "holder", "item")
    partial("ix_item_span_holder_past", "item_span", EVER, "holder", "item", "from_at", "to_at")
    partial("ix_item_span_lender_now", "item_span", f"live = 1 AND {OUT}", "lender", "item")
    partial("ix_item_span_lender_due_now", "item_span", f"live = 1 AND {OUT}", "lender", "due_at", "item")
    partial("ix_item_span_lender_late", "item_span", LATE, "lender", "due_at", "item", "to_at")
    partial("ix_item_span_lender_past", "item_span", f"{EVER} AND {OUT}", "lender", "item", "from_at", "to_at")
    partial("ix_item_span_loan", "item_span", "loan IS NOT NULL", "loan", "item", "from_at")
    partial("ix_item_span_open_now", "item_span", f"live = 1 AND {OPEN}", "item")
    partial("ix_item_span_open_past", "item_span", f"{EVER} AND {OPEN}", "item", "from_at", "to_at")
    partial("ix_item_span_parent", "item_span", "parent IS NOT NULL", "parent", "to_at")
    partial("ix_item_span_place_now", "item_span", "live = 1 AND place IS NOT NULL", "place", "item")
    partial(
        "ix_item_span_place_past",
        "item_span",
        f"{EVER} AND place IS NOT NULL",
        "place",
        "item",
        "from_at",
        "to_at",
    )
    partial("ix_item_span_reserve", "item_span", "reserve", "item", "from_at")
    partial("ix_item_span_status_now", "item_span", "live = 1", "status", "item")
    op.create_table(
        "parentage",
        text("child"),
        text("parent"),
        text("event_id"),
        instant("known_from"),
        instant("known_to"),
        instant("born_at"),
        big("mass_ng", null=True),
        sa.PrimaryKeyConstraint("child", "parent", "event_id", "known_from", name="pk_parentage"),
    )
    index("ix_parentage_parent", "parentage", "parent")
    op.create_table(
        "comparison",
        text("item"),
        text("event_id"),
        instant("known_from"),
        instant("known_to"),
        instant("happened_at"),
        text("by_party"),
        big("expected_ng"),
        big("observed_ng"),
        real("u_ng"),
        real("r", null=True),
        text("verdict"),
        text("marks"),
        big("buoyancy_ng"),
        real("e_n", null=True),
        text("dryness"),
        truth("is_sheet"),
        sa.PrimaryKeyConstraint("item", "event_id", "known_from", name="pk_comparison"),
    )
    index("ix_comparison_item", "comparison", "item", "happened_at", "event_id")
    index("ix_comparison_verdict", "comparison", "verdict", "item", "happened_at", "event_id")
    partial("ix_comparison_differs", "comparison", "verdict <> 'agrees'", "item", "happened_at", "event_id")
    accounts_known = "origin sample used_weighed used_estimated worked_loss embedded unexplained written_off rebasis"
    op.create_table(
        "mass_move",
        text("item"),
        text("event_id"),
        whole("line"),
        instant("known_from"),
        instant("known_to"),
        instant("happened_at"),
        text("from_account"),
        text("from_item", null=True),
        text("to_account"),
        text("to_item", null=True),
        big("mass_ng"),
        sa.PrimaryKeyConstraint("item", "event_id", "line", "known_from", name="pk_mass_move"),
        one_of("mass_move", "from_account", accounts_known),
        one_of("mass_move", "to_account", accounts_known),
        sa.CheckConstraint("mass_ng > 0", name="ck_mass_move_above_zero"),
        sa.CheckConstraint(
            "(from_account = 'sample') = (from_item IS NOT NULL) AND (to_account = 'sample') = (to_item IS NOT NULL)",
            name="ck_mass_move_samples_named",
        ),
        sa.CheckConstraint(
            "from_account <> to_account OR (from_item IS NOT NULL AND from_item <> to_item)",
            name="ck_mass_move_two_accounts",
        ),
    )
    partial("ix_mass_move_from", "mass_move", "from_item IS NOT NULL", "from_item", "happened_at")
    partial("ix_mass_move_to", "mass_move", "to_item IS NOT NULL", "to_item", "happened_at")
    unexplained = "from_account = 'unexplained' OR to_account = 'unexplained'"
    partial("ix_mass_move_unexplained", "mass_move", unexplained, "item")
    taken_in = "from_account IN ('origin', 'rebasis') OR to_account IN ('origin', 'rebasis')"
    partial("ix_mass_move_taken_in", "mass_move", taken_in, "item", "happened_at")
    op.create_table(
        "flag",
        text("item"),
        text("event_id"),
        text("code"),
        instant("known_from"),
        instant("known_to"),
        text("detail"),
        sa.PrimaryKeyConstraint("item", "event_id", "code", "known_from", name="pk_flag"),
    )
    index("ix_flag_event", "flag", "event_id")
    partial("ix_flag_unconfirmed", "flag", "code = 'unconfirmed'", "known_to", "event_id")
    partial("ix_flag_signed", "flag", "code IN ('one_device', 'signature_alone')", "known_to", "event_id")


def people() -> None:
    """Who acts, how they sign in, and what their requests were answered."""
    op.create_table(
        "person",
        text("id"),
        instant("recorded_at"),
        text("kind"),
        sa.PrimaryKeyConstraint("id", name="pk_person"),
        one_of("person", "kind", "person service device"),
    )
    op.create_table(
        "person_name",
        text("person"),
        text("name"),
        text("email"),
        sa.PrimaryKeyConstraint("person", name="pk_person_name"),
    )
    op.create_table(
        "account",
        text("person"),
        text("login"),
        text("password_hash"),
        instant("disabled_at", null=True),
        sa.PrimaryKeyConstraint("person", name="pk_account"),
        sa.UniqueConstraint("login", name="uq_account_login"),
    )
    op.create_table(
        "role_change",
        text("person"),
        text("institution"),
        text("role"),
        instant("recorded_at"),
        instant("from_at"),
        truth("granted"),
        text("actor"),
        sa.PrimaryKeyConstraint("person", "institution", "role", "recorded_at", name="pk_role_change"),
        one_of(
            "role_change",
            "role",
            "administrator analyst auditor clerk curator deputy device "
            "driver mail_room preparator receiver registrar responsible reviewer witness",
        ),
    )
    op.create_table(
        "signing_key",
        text("kid"),
        text("private_pem"),
        instant("created_at"),
        instant("starts_at"),
        sa.PrimaryKeyConstraint("kid", name="pk_signing_key"),
    )
    op.create_table(
        "secret",
        text("name"),
        text("value"),
        instant("created_at"),
        sa.PrimaryKeyConstraint("name", name="pk_secret"),
    )
    op.create_table(
        "replay",
        text("person"),
        text("key"),
        text("request_digest"),
        whole("status"),
        text("body"),
        instant("recorded_at"),
        sa.PrimaryKeyConstraint("person", "key", name="pk_replay"),
    )


def accounts() -> None:
    """What sign-ins leave behind."""
    op.create_table(
        "sign_in_failures",
        text("subject"),
        whole("failures"),
        instant("last_at"),
        instant("locked_until"),
        sa.PrimaryKeyConstraint("subject", name="pk_sign_in_failures"),
    )
    index("ix_sign_in_failures_last_at", "sign_in_failures", "last_at")
    op.create_table(
        "session",
        text("id"),
        text("person"),
        text("client_id"),
        text("address"),
        instant("started_at"),
        instant("last_used_at"),
        instant("expires_at"),
        instant("ended_at", null=True),
        text("secret", null=True),
        text("cookie_digest", null=True),
        sa.PrimaryKeyConstraint("id", name="pk_session"),
        sa.UniqueConstraint("cookie_digest", name="uq_session_cookie_digest"),
    )
    index("ix_session_person", "session", "person")
    index("ix_session_expires_at", "session", "expires_at")
    op.create_table(
        "client",
        text("person"),
        text("institution"),
        text("made_by"),
        sa.PrimaryKeyConstraint("person", name="pk_client"),
    )
    index("ix_client_institution", "client", "institution")
    op.create_table(
        "client_secret",
        text("id"),
        text("client"),
        text("digest"),
        text("label"),
        instant("made_at"),
        text("made_by"),
        instant("expires_at"),
        instant("revoked_at", null=True),
        text("revoked_by", null=True),
        instant("last_used_at", null=True),
        sa.PrimaryKeyConstraint("id", name="pk_client_secret"),
        sa.UniqueConstraint("digest", name="uq_client_secret_digest"),
    )
    index("ix_client_secret_client", "client_secret", "client")
    op.create_table(
        "invitation",
        text("digest"),
        text("person"),
        instant("made_at"),
        instant("expires_at"),
        text("made_by"),
        sa.PrimaryKeyConstraint("digest", name="pk_invitation"),
    )
    index("ix_invitation_person", "invitation", "person")
    op.create_table(
        "device_pin",
        text("secret"),
        text("person"),
        text("hash"),
        instant("made_at"),
        sa.PrimaryKeyConstraint("secret", "person", name="pk_device_pin"),
    )
    op.create_table(
        "handover_link",
        text("digest"),
        text("release"),
        text("person"),
        instant("made_at"),
        instant("expires_at"),
        instant("used_at", null=True),
        sa.PrimaryKeyConstraint("digest", name="pk_handover_link"),
    )
    index("ix_handover_link_release", "handover_link", "release")
    op.create_table(
        "refresh_token",
        text("digest"),
        text("session"),
        instant("issued_at"),
        instant("expires_at"),
        instant("spent_at", null=True),
        sa.PrimaryKeyConstraint("digest", name="pk_refresh_token"),
    )
    index("ix_refresh_token_session", "refresh_token", "session")


def files() -> None:
    """Evidence files, what they were called, and which facts name them."""
    op.create_table(
        "evidence_file",
        text("sha256"),
        text("institution"),
        big("size_bytes"),
        text("media_type"),
        instant("recorded_at"),
        text("actor"),
        sa.PrimaryKeyConstraint("sha256", "institution", name="pk_evidence_file"),
    )
    index("ix_evidence_file_actor", "evidence_file", "actor")
    op.create_table(
        "file_name",
        text("sha256"),
        text("institution"),
        text("name"),
        sa.PrimaryKeyConstraint("sha256", "institution", name="pk_file_name"),
    )
    op.create_table(
        "file_erasure",
        text("sha256"),
        text("institution"),
        instant("recorded_at"),
        text("actor"),
        text("because"),
        sa.PrimaryKeyConstraint("sha256", "institution", "recorded_at", name="pk_file_erasure"),
    )
    op.create_table(
        "event_file",
        text("sha256"),
        text("event_id"),
        sa.PrimaryKeyConstraint("sha256", "event_id", name="pk_event_file"),
    )


def readings() -> None:
    """Loggers and sensors, how their tables are read, their clocks, and what they sent."""
    op.create_table(
        "source",
        *version_columns(),
        text("code"),
        text("institution"),
        text("kind"),
        text("place", null=True),
        text("what"),
        text("serial"),
        whole("interval_s"),
        whole("max_gap_s", null=True),
        text("quantities"),
        text("zone"),
        day("good_until", null=True),
        text("layout", null=True),
        text("readers"),
        sa.PrimaryKeyConstraint("code", "version", name="pk_source"),
        one_of("source", "kind", "logger sensor"),
        sa.CheckConstraint("(kind = 'sensor') = (place IS NOT NULL)", name="ck_source_sensors_hang"),
        sa.CheckConstraint("interval_s > 0 AND (max_gap_s IS NULL OR max_gap_s > 0)", name="ck_source_positive"),
    )
    index("ix_source_place", "source", "place")
    op.create_table(
        "layout",
        *version_columns(),
        text("code"),
        text("institution"),
        text("what"),
        text("content"),
        sa.PrimaryKeyConstraint("code", "version", name="pk_layout"),
    )
    op.create_table(
        "clock_check",
        text("id"),
        text("source"),
        text("run"),
        instant("logger_at"),
        instant("true_at"),
        text("amends", null=True),
        truth("withdrawn"),
        instant("recorded_at"),
        text("actor"),
        text("because"),
        sa.PrimaryKeyConstraint("id", name="pk_clock_check"),
    )
    index("ix_clock_check_source", "clock_check", "source")
    uploads()
    op.create_table(
        "reading_chunk",
        text("upload"),
        text("quantity"),
        whole("sequence"),
        text("source"),
        text("run"),
        text("unit"),
        instant("begin_at"),
        instant("end_at"),
        whole("readings"),
        real("lowest", null=True),
        real("highest", null=True),
        real("widest_gap_s"),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        instant("recorded_at"),
        text("actor"),
        sa.PrimaryKeyConstraint("upload", "quantity", "sequence", name="pk_reading_chunk"),
    )
    index("ix_reading_chunk_source", "reading_chunk", "source", "quantity", "begin_at")
    op.create_table(
        "reading_span",
        text("chunk"),
        text("quantity"),
        whole("sequence"),
        instant("known_from"),
        instant("known_to"),
        whole("level"),
        text("part_of", null=True),
        text("source"),
        text("run"),
        text("unit"),
        instant("begin_at"),
        instant("end_at"),
        whole("readings"),
        real("lowest", null=True),
        real("highest", null=True),
        real("widest_gap_s"),
        sa.PrimaryKeyConstraint("chunk", "quantity", "sequence", "known_from", name="pk_reading_span"),
    )
    index("ix_reading_span_source", "reading_span", "source", "quantity", "known_to", "begin_at")
    partial("ix_reading_span_part_of", "reading_span", "part_of IS NOT NULL", "part_of")
    op.create_table(
        "merged_chunk",
        text("id"),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_merged_chunk"),
    )


def uploads() -> None:
    """What was sent, how far it is read, and whether it still counts."""
    op.create_table(
        "upload",
        text("id"),
        text("source"),
        text("run"),
        text("sha256"),
        whole("attempt"),
        big("size_bytes"),
        text("format"),
        text("name"),
        text("layout"),
        text("stream"),
        big("first_line"),
        big("lines"),
        instant("recorded_at"),
        text("actor"),
        sa.PrimaryKeyConstraint("id", name="pk_upload"),
        sa.UniqueConstraint(
            *("source", "sha256", "stream", "first_line", "attempt"),
            name="uq_upload_source_sha256_stream_first_line_attempt",
        ),
        one_of("upload", "format", "csv senml_json senml_cbor senml_lines"),
    )
    index("ix_upload_source", "upload", "source", "recorded_at")
    op.create_table(
        "upload_end",
        text("upload"),
        big("rows_read"),
        big("rows_stored"),
        big("rows_bad"),
        text("bad"),
        text("marks"),
        instant("begin_at", null=True),
        instant("end_at", null=True),
        instant("recorded_at"),
        text("actor"),
        sa.PrimaryKeyConstraint("upload", name="pk_upload_end"),
    )
    op.create_table(
        "upload_withdrawal",
        text("upload"),
        instant("recorded_at"),
        text("actor"),
        text("because"),
        sa.PrimaryKeyConstraint("upload", name="pk_upload_withdrawal"),
    )
    op.create_table(
        "upload_progress",
        text("upload"),
        big("bytes_read"),
        big("rows_read"),
        big("rows_stored"),
        instant("touched_at"),
        sa.PrimaryKeyConstraint("upload", name="pk_upload_progress"),
    )


def guards() -> None:
    """Triggers that refuse to change or remove a row of a log, whoever asks."""
    on_sqlite = op.get_bind().dialect.name == "sqlite"
    if not on_sqlite:
        op.execute(REFUSE)
    for log in LOGS:
        for statement in guards_on_sqlite(log) if on_sqlite else guards_on_postgresql(log):
            op.execute(statement)


#: The same class of error as on SQLite: an IntegrityError.
REFUSE = """
CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  RAISE EXCEPTION '% is a log: rows are added, never changed or removed', TG_TABLE_NAME
    USING ERRCODE = 'integrity_constraint_violation';
END $$
"""


def guards_on_postgresql(log: str) -> tuple[str, ...]:
    """One trigger a table, for whole statements, since TRUNCATE knows no rows; ALWAYS, so that no session is exempt."""
    return (
        f"CREATE TRIGGER guard_{log} BEFORE UPDATE OR DELETE OR TRUNCATE ON {log} "
        "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()",
        f"ALTER TABLE {log} ENABLE ALWAYS TRIGGER guard_{log}",
    )


def guards_on_sqlite(log: str) -> tuple[str, ...]:
    """Two triggers a table. INSERT OR REPLACE removes a row, but passes them unless recursive_triggers is ON."""
    why = f"{log} is a log: rows are added, never changed or removed"
    return tuple(
        f"CREATE TRIGGER guard_{log}_{verb.lower()} BEFORE {verb} ON {log} BEGIN SELECT RAISE(ABORT, '{why}'); END"
        for verb in ("UPDATE", "DELETE")
    )
