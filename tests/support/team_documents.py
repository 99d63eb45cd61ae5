"""Documents that teams deliver with their builds: bills of materials and statements on vulnerabilities."""

from __future__ import annotations

TEAM = {
    "bomFormat": "CycloneDX",
    "specVersion": "1.4",
    "version": 1,
    "metadata": {
        "component": {"type": "firmware", "name": "sampler-firmware", "version": "4.2", "bom-ref": "top"}
    },
    "components": [
        {
            "type": "library",
            "name": "tidemath",
            "version": "1.0.3",
            "bom-ref": "tm",
            "purl": "pkg:generic/tidemath@1.0.3",
            "cpe": "cpe:2.3:a:harbour:tidemath:1.0.3:*:*:*:*:*:*:*",
            "licenses": [{"license": {"id": "MIT"}}],
            "hashes": [{"alg": "SHA-256", "content": "0" * 64}],
        },
        {"type": "library", "name": "nofields"},
        {"type": "operating-system", "name": "tinyos", "version": "9", "bom-ref": "product"},
    ],
    "dependencies": [{"ref": "top", "dependsOn": ["tm", "product"]}, {"ref": "tm", "dependsOn": []}],
}
CYCLONEDX = {
    "bomFormat": "CycloneDX",
    "specVersion": "1.6",
    "version": 1,
    "vulnerabilities": [
        {
            "id": "CVE-2030-0001",
            "analysis": {"state": "not_affected", "justification": "code_not_reachable"},
            "affects": [{"ref": "tm"}, {"ref": "urn:cdx:3e671687-395b-41f5-a30f-a58921a69b79/1#tm"}],
        },
        {"id": "CVE-2030-0002", "affects": [{"ref": "pkg:generic/tidemath@1.0.3"}, {"ref": "build:station"}]},
    ],
}
# OpenVEX specification v0.2.0, "Minimal document", with our names.
OPENVEX = {
    "@context": "https://openvex.dev/ns/v0.2.0",
    "@id": "https://openvex.dev/docs/harbour/vex-1",
    "author": "sampler team",
    "timestamp": "2030-01-08T18:02:03.647787998-06:00",
    "version": 1,
    "statements": [
        {
            "vulnerability": {"name": "CVE-2030-0001"},
            "products": [{"@id": "pkg:generic/tidemath@1.0.3"}],
            "status": "fixed",
        }
    ],
}
# CSAF 2.0, 4.5 "Profile 5: VEX": the elements that it demands.
CSAF = {
    "document": {
        "category": "csaf_vex",
        "csaf_version": "2.0",
        "title": "tidemath",
        "publisher": {"category": "vendor", "name": "sampler team", "namespace": "https://sampler.example"},
        "tracking": {"id": "ST-1", "version": "1", "status": "final"},
    },
    "product_tree": {"full_product_names": [{"product_id": "P1", "name": "tidemath 1.0.3"}]},
    "vulnerabilities": [{"cve": "CVE-2030-0001", "product_status": {"known_not_affected": ["P1"]}}],
}
