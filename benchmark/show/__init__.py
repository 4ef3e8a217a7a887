"""Tables, pictures, reports and pages; no arithmetic."""
