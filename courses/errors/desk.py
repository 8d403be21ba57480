"""What the front desk's lists and feeds refuse: waiting list, gaps, calendars, recalls."""

from core.errors import Conflict, Forbidden, Malformed, NotFound, Refused


class EntryUnknown(NotFound):
    """No such entry on the waiting list of the caller's chain."""

    code = "waiting_list_entry_unknown"
    title = "No such entry on the waiting list"


class AlreadyWaiting(Conflict):
    """The course is on the waiting list."""

    code = "already_waiting"
    title = "The course is on the waiting list already"


class EntryHasOffer(Conflict):
    """A slot is held for this entry: decline or accept the offer first."""

    code = "waiting_list_entry_has_offer"
    title = "A slot is being offered to this patient"


class GapUnknown(NotFound):
    """No such gap in the caller's chain."""

    code = "gap_unknown"
    title = "No such gap"


class GapOfferUnknown(NotFound):
    """No such offer in the caller's chain."""

    code = "gap_offer_unknown"
    title = "No such offer"


class GapOver(Refused):
    """Nobody can come in time that has passed."""

    code = "gap_over"
    title = "That time is over"


class GapFitsNobody(Conflict):
    """Of those who wait nobody fits; `waiting` says how many wait for this clinic."""

    code = "gap_fits_nobody"
    title = "Nobody on the waiting list fits"


class FeedUnknown(NotFound):
    """No such calendar feed, or one whose address was revoked."""

    code = "calendar_feed_unknown"
    title = "No such calendar"


class RecallUnknown(NotFound):
    """No such recall in the caller's chain."""

    code = "recall_unknown"
    title = "No such recall"


class MessageUnknown(NotFound):
    """No such message in the caller's chain."""

    code = "message_unknown"
    title = "No such message"


class NothingToWithdraw(Refused):
    """No step about the same thing stands, and none is to come."""

    code = "nothing_to_withdraw"
    title = "There is nothing left to withdraw"


class CallNotOpen(Refused):
    """Only a call that waits for the front desk has an outcome to record."""

    code = "call_not_open"
    title = "This is no call that waits to be made"


class OutcomeKnown(Refused):
    """Only of a message of which nobody knows whether it arrived can somebody find out."""

    code = "outcome_known"
    title = "Of this message nothing is to be found out"


class CadenceMalformed(Malformed):
    """The document is no cadence; `errors` says where."""

    code = "cadence_malformed"
    title = "This is no recall policy"


class PolicyOvertaken(Conflict):
    """Somebody has put another version in force; `in_force` is its number."""

    code = "recall_policy_overtaken"
    title = "The recall policy was changed meanwhile"


class TemplateOvertaken(Conflict):
    """Somebody has put another version in place; `in_force` is its number."""

    code = "message_template_overtaken"
    title = "The text was changed meanwhile"


class LinkUnknown(NotFound):
    """No such address: cut short, mistyped or for another purpose."""

    code = "reply_link_unknown"
    title = "This address leads nowhere"


class ReplyOver(Conflict):
    """The time of the address is over, or there is nothing to answer any more."""

    code = "reply_over"
    title = "There is nothing to answer any more"


class ReplyNotOffered(Refused):
    """The message does not ask this."""

    code = "reply_not_offered"
    title = "The message does not ask this"


class CallbackUnsigned(Forbidden):
    """The report is not signed with the secret, or was signed too long ago."""

    code = "callback_unsigned"
    title = "The report is not signed as it must be"
