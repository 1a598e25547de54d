from syncvid.signals.cue_sound import SIGNATURE_S, make_signature

__all__ = ["SIGNATURE_S", "make_signature"]
