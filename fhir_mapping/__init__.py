"""How the ledger speaks FHIR R4: resources by name, codes, identifiers, bundles."""

__version__ = "0.1.0"
