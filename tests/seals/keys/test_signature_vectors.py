"""The algorithms against published vectors: what must hold holds, what must be rejected is."""

from __future__ import annotations

import hashlib
import re

import pytest
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, mldsa, rsa
from dilithium_py.ml_dsa import ML_DSA_65, ML_DSA_87
from seal_keys import VECTORS, cavp_rsa_keys, key_for, ml_dsa_cases

from gemel.seals.keys.algorithms import (
    ALGORITHMS,
    ECDSA_P256,
    ECDSA_P384,
    ED25519,
    RSA_3072,
    RSA_4096,
)
from gemel.seals.keys.algorithms import (
    ML_DSA_65 as OUR_ML_DSA_65,
)
from gemel.seals.keys.algorithms import (
    ML_DSA_87 as OUR_ML_DSA_87,
)
from gemel.seals.keys.keys import private_key_of, public_key_of
from gemel.seals.keys.schemes import fixed_ecdsa, holds

RFC8032 = (
    # RFC 8032 7.1: secret, message, signature of tests 1, 2, 3 and SHA(abc)
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        b"",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd2"
        "5bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        b"\x72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c38"
        "7b2eaeb4302aeeb00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        b"\xaf\x82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a"
        "7c15e9716ed28dc027beceea1ec40a",
    ),
    (
        "833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
        hashlib.sha512(b"abc").digest(),
        "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c66431e0303d"
        "ca179c138ac17ad9bef1177331a704",
    ),
)

RFC6979 = (
    # RFC 6979 A.2.5 with SHA-256 and A.2.6 with SHA-384: message, r, s
    (
        "ECDSA-P256",
        b"sample",
        "EFD48B2AACB6A8FD1140DD9CD45E81D69D2C877B56AAF991C34D0EA84EAF3716",
        "F7CB1C942D657C41D436C7A1B6E29F65F3E900DBB9AFF4064DC4AB2F843ACDA8",
    ),
    (
        "ECDSA-P256",
        b"test",
        "F1ABB023518351CD71D881567B1EA663ED3EFCF6C5132B354F28D3B0B7D38367",
        "019F4113742A2B14BD25926B49C649155F267E60D3814B4C0CC84250E46F0083",
    ),
    (
        "ECDSA-P384",
        b"sample",
        "94EDBB92A5ECB8AAD4736E56C691916B3F88140666CE9FA73D64C4EA95AD133C81A648152E44ACF96E36DD1E80FABE46",
        "99EF4AEB15F178CEA1FE40DB2603138F130E740A19624526203B6351D0A3A94FA329C145786E679E7B82C71A38628AC8",
    ),
    (
        "ECDSA-P384",
        b"test",
        "8203B63D3C853E8D77227FB377BCF7B7B772E97892A80F36AB775D509D7A5FEB0542A7F0812998DA8F1DD3CA3CF023DB",
        "DDD0760448D42D8A43AF45AF836FCE4DE8BE06B485E9B61B827C2F13173923E06A739F040649A667BF3B828246BAA5A5",
    ),
)

ED25519_ORDER = 2**252 + 27742317777372353535851937790883648493
"""RFC 8032 5.1: L."""


@pytest.mark.parametrize(("secret", "message", "signature"), RFC8032)
def test_ed25519_gives_the_signatures_of_rfc_8032(secret: str, message: bytes, signature: str) -> None:
    """Ed25519 signs the messages of RFC 8032 7.1 with the published bytes, and they hold."""
    key = private_key_of(ed25519.Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret)), ED25519)
    assert key.sign(message) == bytes.fromhex(signature)
    assert key.public_key.verify(bytes.fromhex(signature), message)


def test_ed25519_gives_the_1024_signatures_of_the_reference_file() -> None:
    """The reference file sign.input (cryptography-vectors) is reproduced; any other message is rejected."""
    lines = (VECTORS / "Ed25519/sign.input").read_text("ascii").splitlines()
    assert len(lines) == 1024
    for line in lines:
        secret, public, message, signed = (bytes.fromhex(part) for part in line.split(":")[:4])
        key = private_key_of(ed25519.Ed25519PrivateKey.from_private_bytes(secret[:32]), ED25519)
        assert key.public_key.spki_der.endswith(public)
        assert key.sign(message) == signed[:64]
        assert not key.public_key.verify(signed[:64], message + b"\0")


def test_ed25519_takes_no_second_signature_with_s_plus_the_order() -> None:
    """S + L satisfies the equation too, and is rejected as RFC 8032 5.1.7 demands: S is below L."""
    key = key_for("Ed25519")
    signature = key.sign(b"message")
    second = int.from_bytes(signature[32:], "little") + ED25519_ORDER
    assert not key.public_key.verify(signature[:32] + second.to_bytes(32, "little"), b"message")


@pytest.mark.parametrize(("name", "message", "r", "s"), RFC6979)
def test_ecdsa_gives_the_signatures_of_rfc_6979(name: str, message: bytes, r: str, s: str) -> None:
    """ECDSA is deterministic as in RFC 6979, r || s of fixed length, leading zeros kept."""
    key = key_for(name)
    assert key.sign(message) == bytes.fromhex(r + s)
    assert key.public_key.verify(bytes.fromhex(r + s), message)
    assert not key.public_key.verify(bytes.fromhex(s + r), message)


@pytest.mark.parametrize(
    ("section", "algorithm", "curve"),
    [("P-256,SHA-256", ECDSA_P256, ec.SECP256R1()), ("P-384,SHA-384", ECDSA_P384, ec.SECP384R1())],
)
def test_ecdsa_judges_the_nist_signatures_as_they_say(section, algorithm, curve) -> None:
    """NIST CAVP SigVer.rsp (FIPS 186-3): 15 signatures a curve, those with a change rejected."""
    text = (VECTORS / "ECDSA/FIPS_186-3/SigVer.rsp").read_text("ascii")
    cases = text.split(f"[{section}]")[1].split("[")[0].split("Msg = ")[1:]
    assert len(cases) == 15
    held = 0
    for case in cases:
        message = bytes.fromhex(case.split()[0])
        x, y, r, s = (int(re.search(rf"\b{key} = (\w+)", case)[1], 16) for key in ("Qx", "Qy", "R", "S"))
        key = public_key_of(ec.EllipticCurvePublicNumbers(x, y, curve).public_key(), algorithm)
        half = algorithm.signature_size // 2
        good = key.verify(r.to_bytes(half, "big") + s.to_bytes(half, "big"), message)
        assert good == ("Result = P" in case)
        held += good
    assert 0 < held < 15


@pytest.mark.parametrize("name", ["ECDSA-P256", "ECDSA-P384"])
def test_ecdsa_rejects_numbers_outside_their_range(name: str) -> None:
    """r or s of 0, of the order or above are rejected (FIPS 186-5 6.4.2, from memory)."""
    key = key_for(name)
    half = key.algorithm.signature_size // 2
    signature = key.sign(b"m")
    order = {
        "ECDSA-P256": 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551,
        "ECDSA-P384": int("F" * 48 + "C7634D81F4372DDF581A0DB248B0A77AECEC196ACCC52973", 16),
    }[name]
    for bad in (0, order, (1 << 8 * half) - 1):
        number = bad.to_bytes(half, "big")
        assert not key.public_key.verify(number + signature[half:], b"m")
        assert not key.public_key.verify(signature[:half] + number, b"m")


def test_ecdsa_in_der_is_refused_where_a_number_does_not_fit() -> None:
    """DER with r of 0, of 33 bytes, cut short or with bytes behind is no signature of P-256."""
    from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature

    good = encode_dss_signature(1, 2)
    assert fixed_ecdsa(ECDSA_P256, good) == bytes(31) + b"\1" + bytes(31) + b"\2"
    for bad in (encode_dss_signature(0, 2), encode_dss_signature(1, 1 << 256), good[:-1], good + b"\0", b""):
        with pytest.raises(ValueError):  # noqa: PT011 -- the library's own words
            fixed_ecdsa(ECDSA_P256, bad)


def emsa_pss(message: bytes, bits: int, hash_name: str, salt: bytes) -> int:
    """The encoded message of RFC 8017 9.1.1 (from memory), mask by MGF1 with the same hash."""

    def digest(data: bytes) -> bytes:
        return hashlib.new(hash_name, data).digest()

    size = -(-(bits - 1) // 8)
    hashed = digest(bytes(8) + digest(message) + salt)
    block = bytes(size - len(salt) - len(hashed) - 2) + b"\1" + salt
    mask = b"".join(
        digest(hashed + count.to_bytes(4, "big")) for count in range(-(-len(block) // len(hashed)))
    )
    masked = bytearray(left ^ right for left, right in zip(block, mask, strict=False))
    masked[0] &= 0xFF >> (8 * size - (bits - 1))
    return int.from_bytes(bytes(masked) + hashed + b"\xbc", "big")


def signed_by_rsa(encoded: int, p: int, q: int, size: int) -> bytes:
    """The RSA signature of an encoded message with exponent 65537 (RFC 8017 5.2.1, by the two primes)."""
    mod_p, mod_q = (pow(encoded, pow(65537, -1, prime - 1), prime) for prime in (p, q))
    return (mod_q + q * ((mod_p - mod_q) * pow(q, -1, p) % p)).to_bytes(size, "big")


PSS = [(RSA_3072, 3072, "sha256", "SHA256", 2), (RSA_4096, 4096, "sha384", "SHA384", 1)]


@pytest.mark.parametrize(("algorithm", "bits", "hash_name", "cavp_hash", "index"), PSS)
def test_pss_takes_the_salt_of_its_hash_and_no_other(algorithm, bits, hash_name, cavp_hash, index) -> None:
    """NIST CAVP SigVerPSS_186-3.rsp: the published signature (salt 10 bytes) is reproduced by a second
    encoder, in this file, and rejected; the same encoder with a salt as long as the hash is taken."""
    _, p, q, text = list(cavp_rsa_keys(bits))[index]
    key = key_for(f"RSA-{bits}-PSS").public_key
    cases = [part for part in text.split("SHAAlg = ")[1:] if part.startswith(f"{cavp_hash}\n")]
    assert len(cases) == 6
    for case in cases:
        message, signature, salt = (
            bytes.fromhex(re.search(rf"(?m)^{name} = (\w+)", case)[1]) for name in ("Msg", "S", "SaltVal")
        )
        again = signed_by_rsa(emsa_pss(message, bits, hash_name, salt), p, q, bits // 8)
        assert (again == signature) == ("Result = P" in case or "Public Key e changed" in case)
        assert not key.verify(signature, message)
        own = bytes(range(hashlib.new(hash_name).digest_size))
        good = signed_by_rsa(emsa_pss(message, bits, hash_name, own), p, q, bits // 8)
        assert key.verify(good, message)
        assert not key.verify(good, message + b"\0")


@pytest.mark.parametrize(("algorithm", "bits", "hash_name", "cavp_hash", "index"), PSS)
def test_pss_rejects_what_is_not_of_its_form(algorithm, bits, hash_name, cavp_hash, index) -> None:
    """Another hash, another trailer, another padding (PKCS#1 v1.5) and S above the modulus are rejected."""
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import padding

    n, p, q, _ = list(cavp_rsa_keys(bits))[index]
    d = pow(65537, -1, (p - 1) * (q - 1))
    private = key_for(f"RSA-{bits}-PSS")
    key, size = private.public_key, bits // 8
    other = {"sha256": "sha384", "sha384": "sha256"}[hash_name]
    wrong_hash = emsa_pss(b"m", bits, other, bytes(hashlib.new(other).digest_size))
    right = emsa_pss(b"m", bits, hash_name, bytes(hashlib.new(hash_name).digest_size))
    good = int.from_bytes(signed_by_rsa(right, p, q, size), "big")
    assert key.verify(good.to_bytes(size, "big"), b"m")
    assert not key.verify(signed_by_rsa(wrong_hash, p, q, size), b"m")
    assert not key.verify(signed_by_rsa(right ^ 0x70, p, q, size), b"m")
    if good + n < 1 << bits:
        assert not key.verify((good + n).to_bytes(size, "big"), b"m")
    library = rsa.RSAPrivateNumbers(
        p, q, d, d % (p - 1), d % (q - 1), pow(q, -1, p), rsa.RSAPublicNumbers(65537, n)
    ).private_key()
    hashing = {"sha256": hashes.SHA256(), "sha384": hashes.SHA384()}[hash_name]
    assert not key.verify(library.sign(b"m", padding.PKCS1v15(), hashing), b"m")


ML_DSA = [
    (65, OUR_ML_DSA_65, ML_DSA_65, mldsa.MLDSA65PrivateKey, mldsa.MLDSA65PublicKey),
    (87, OUR_ML_DSA_87, ML_DSA_87, mldsa.MLDSA87PrivateKey, mldsa.MLDSA87PublicKey),
]


@pytest.mark.parametrize(("size", "algorithm", "independent", "private", "public"), ML_DSA)
def test_ml_dsa_keys_and_contexts_of_the_published_answers(
    size, algorithm, independent, private, public
) -> None:
    """kat_MLDSA_*_det_pure.rsp, 100 cases: each seed gives the published public key; each signature holds
    under its context and, as a seal has none, is rejected by ours."""
    for case in ml_dsa_cases(size):
        key = private_key_of(private.from_seed_bytes(case["xi"]), algorithm)
        assert key.public_key.spki_der.endswith(case["pk"])
        signature = case["sm"][: algorithm.signature_size]
        assert case["sm"][algorithm.signature_size :] == case["msg"]
        assert case["ctx"]
        public.from_public_bytes(case["pk"]).verify(signature, case["msg"], case["ctx"])
        assert not key.public_key.verify(signature, case["msg"])


@pytest.mark.parametrize(("size", "algorithm", "independent", "private", "public"), ML_DSA)
def test_ml_dsa_agrees_with_an_independent_implementation(
    size, algorithm, independent, private, public
) -> None:
    """The package dilithium-py (FIPS 204 in plain Python) verifies ours and ours its, empty context; changed
    signatures and messages are rejected by ours."""
    case = ml_dsa_cases(size)[0]
    public_key, secret_key = independent.key_derive(case["xi"])
    key = key_for(f"ML-DSA-{size}")
    assert public_key == case["pk"]
    theirs = independent.sign(secret_key, b"record", deterministic=True)
    assert key.public_key.verify(theirs, b"record")
    assert independent.verify(public_key, b"record", key.sign(b"record"))
    assert not key.public_key.verify(theirs, b"recorc")
    for place in (0, 40, 1000, len(theirs) - 1):
        changed = bytearray(theirs)
        changed[place] ^= 1
        assert not key.public_key.verify(bytes(changed), b"record")


@pytest.mark.parametrize("algorithm", ALGORITHMS, ids=str)
def test_sizes_and_sameness_are_as_the_registry_says(algorithm) -> None:
    """Signatures have the stated size, any other size is rejected, and the stated ones are the same twice."""
    key = key_for(algorithm.name)
    first, second = key.sign(b"m"), key.sign(b"m")
    assert len(first) == len(second) == algorithm.signature_size
    assert (first == second) == algorithm.same_bytes
    for wrong in (b"", first[:-1], first + b"\0", bytes(algorithm.signature_size)):
        assert not key.public_key.verify(wrong, b"m")


def test_a_signature_of_another_algorithm_does_not_hold_and_does_not_raise() -> None:
    """Each algorithm's signature, cut or filled to the size of each other's, is rejected without an error."""
    for key in (key_for(each.name) for each in ALGORITHMS):
        for other in ALGORITHMS:
            if other != key.algorithm:
                signature = key_for(other.name).sign(b"m").ljust(key.algorithm.signature_size, b"\0")
                assert not holds(
                    key.public_key._key, key.algorithm, signature[: key.algorithm.signature_size], b"m"
                )
