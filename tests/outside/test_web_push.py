"""Web Push against the worked example of its RFC."""

from cryptography.hazmat.primitives.asymmetric import ec

from strikewatch.sinks.web_push import decode, encode, encrypt


def test_a_message_is_encrypted_as_in_the_example_of_rfc_8291() -> None:
    """RFC 8291, appendix A and section 5."""
    private = int.from_bytes(decode("yfWPiYE-n46HLnH0KqZOF1fJJU3MYrct3AELtAQ-oRw"), "big")
    encrypted = encrypt(
        b"When I grow up, I want to be a watermelon",
        decode("BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"),
        decode("BTBZMqHH6r4Tts7J_aSIgg"),
        ec.derive_private_key(private, ec.SECP256R1()),
        decode("DGv6ra1nlYgDCS1FRnbzlw"),
    )
    assert encode(encrypted) == (
        "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8w"
        "EqKK6PBru3jl7A_yl95bQpu6cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qulcy4a-fN"
    )
