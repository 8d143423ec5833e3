"""The pages of owners: the form at /form, the script that puts it into anybody's page, and /follow/<token>.

They are above the API: whatever they do, they do by the API's own functions, or its paths.
"""
