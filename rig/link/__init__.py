"""From bytes on the wire to requests and replies of the controller board."""
