"""What the tests of every operation leave out, each with its reason: a new operation is guarded, or is named here."""

import re

#: What needs no sign-in, and why.
OPEN = {
    "is_alive": "says only that the process lives",
    "is_ready": "says only whether the database answers",
    "metrics": "counts, without names, numbers or addresses",
    "key_set": "public keys are public (RFC 7517)",
    "sign_in": "is how one signs in",
    "sign_out": "whoever holds a token may end it (RFC 7009)",
    "accept_invitation": "needs the secret of the link",
    "scan": "a finder is told whom to call, and nothing else",
}
#: What everybody who signed in may read, and why.
EVERYBODYS = {
    **dict.fromkeys(("show_institution", "list_institutions"), "names of parties stand on every form"),
    "list_successions": "who answers for whom is what one asks when a partner has merged",
    "change_institution": "whether there is such an institution is no secret",
    **dict.fromkeys(("list_profiles", "show_profile"), "whoever keeps a thing must know what it is to be kept in"),
    "change_profile": "whether there is such a profile is no secret",
    "list_prefixes": "whose a number is follows from its prefix, for whoever finds the thing",
}
#: What changes something that is one's own, or nothing at all.
OWN = {"end_own_session", "change_own_password"}
#: What a logger is there for.
READINGS = {"send_readings", "stream_readings", "preview_readings"}
#: What is asked by POST, since it takes a body, and writes nothing.
DRY_RUNS = {"check_split_sheet", "preview_readings"}
#: Every role but those of the whole service.
ROLES = ("curator", "registrar", "clerk", "analyst", "preparator", "receiver", "responsible", "deputy")
NOBODY = "00000000-0000-4000-8000-000000000000"
#: Where administrators alone change something.
ADMINISTRATION = re.compile(r"/v1/(people|clients|invitations)(/|$)")
#: A word in the name of a member that no answer should hold.
SECRETIVE = re.compile(r"passw|secret|token|hash|digest|salt|pem|private|(^|_)key|link")
#: Those that do hold one, and why that is right.
TOLD = {
    "Token.access_token": "what one signs in for",
    "Token.token_type": "Bearer (RFC 6750)",
    "Token.refresh_token": "what one signs in for",
    "SecretMade.client_secret": "told once, to who made it",
    "SecretMade.secret_id": "the id of a secret, which is none",
    "SecretShown.secret_id": "the id of a secret, which is none",
    "ClientShown.secrets": "their ids, labels and dates",
    "InvitationMade.link": "told once, to who asked for it, where no mail can bring it",
    "KeySet.keys": "the public ones (RFC 7517)",
    "FactOut.digest": "what a partner keeps to prove later what it read",
    "FactOut.request_digest": "the same, of what was sent",
    "NoteOut.salt": "with which whoever may read the note can prove it",
}
