"""What a request for an appraisal, and a change of one, may say."""
