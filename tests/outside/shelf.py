"""Validates OCFL objects and storage roots with ocfl-py (PyPI), and prints the codes of their errors as JSON.

    shelf.py objects FOLDER...   each as an object
    shelf.py roots FOLDER...     each as a storage root, with every object in it
    shelf.py index FILE...       each as an SQLite database, by PRAGMA integrity_check of Python's own SQLite
"""

import json
import re
import sqlite3
import sys

import ocfl
from ocfl.validator import Validator


def object_errors(path):
    validator = Validator(log_warnings=True)
    try:
        validator.validate_object(path)
    except Exception as error:  # ocfl-py stumbles over some inventories it should complain about
        return ["stumbled: " + repr(error)]
    return sorted(set(validator.log.codes.keys()))


def root_errors(path):
    store = ocfl.StorageRoot(root=path)
    good = store.validate(log_warnings=False, log_errors=True)
    codes = set(re.sub(r"\D$", "", code) for code in store.log.codes)
    return {"good": bool(good), "objects": store.num_objects, "whole": store.good_objects, "codes": sorted(codes)}


def index_errors(path):
    connection = sqlite3.connect(path)
    answers = [row[0] for row in connection.execute("PRAGMA integrity_check")]
    jobs = connection.execute("SELECT count(*) FROM jobs").fetchone()[0]
    return {"answers": answers, "jobs": jobs}


def main():
    look = {"objects": object_errors, "roots": root_errors, "index": index_errors}[sys.argv[1]]
    print(json.dumps({path: look(path) for path in sys.argv[2:]}))


main()
